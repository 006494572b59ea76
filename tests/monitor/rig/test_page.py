"""The sheet as a page: one file that needs no other, well formed, with every text escaped and drawings to scale."""

from __future__ import annotations

import io
import re
import tomllib
from html.parser import HTMLParser
from importlib.resources import files
from xml.etree import ElementTree

import pytest

from monitor.rig.check import check, planned
from monitor.rig.drawing import Paper, plan_view, side_view
from monitor.rig.page import page
from monitor.rig.schema import Rig

RIGS = {
    path.name: path.read_text(encoding="utf-8")
    for path in files("monitor.drill").joinpath("rigs").iterdir()
    if path.name.endswith(".toml")
}


def made(rig: Rig) -> str:
    return page(*planned(rig))


class Reader(HTMLParser):
    """Checks that tags close in order, and gathers texts and everything that could reach outside the file."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.texts: list[str] = []
        self.tags: set[str] = set()
        self.outside: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.outside += [f"{k}={v}" for k, v in attrs if k in ("src", "href", "xlink:href") or k.startswith("on")]
        if tag != "meta":
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.add(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)


def read(text: str) -> Reader:
    reader = Reader()
    reader.feed(text)
    reader.close()
    assert reader.open == []
    return reader


@pytest.mark.parametrize("name", RIGS)
def test_every_drill_rig_makes_a_page_that_needs_no_other_file(name):
    text = made(Rig.model_validate(tomllib.loads(RIGS[name])))
    it = read(text)
    assert it.outside == []
    assert "script" not in it.tags
    assert "link" not in it.tags
    assert not re.search(r"url\(|@import|https?:", text)
    assert "Nobody goes under a load held by bags alone." in " ".join(it.texts)


def test_names_are_text_and_never_markup():
    document = tomllib.loads(RIGS["one-bag.toml"])
    nasty = "<b>\"&'</b>".replace("/", "")
    document["load"]["name"] = "<script>alert(1)</script> & \"slab\" 'x'"
    document["rig"]["name"] = document["stack"][0]["name"] = document["shore"][0]["name"] = nasty
    document["stack"][0]["bag"][0]["name"] = "<i>bag"
    for step in document["step"]:
        if "bag" in step:
            step["bag"] = "<i>bag"
        if "until" in step:
            step["until"]["at"] = nasty
    document["step"][1]["say"] = "<img src=x onerror=alert(1)>"
    it = read(made(Rig.model_validate(document)))
    assert not {"script", "b", "i", "img"} & it.tags
    said = " ".join(it.texts)
    assert "<script>alert(1)</script> & \"slab\" 'x'" in said
    assert "<img src=x onerror=alert(1)>" in said
    assert nasty in said


def points(svg: str, look: str) -> list[tuple[float, float]]:
    shape = next(it for it in ElementTree.fromstring(svg) if it.get("class") == look)
    pairs = (shape.get("points") or "").split()
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in pairs)]


def test_the_plan_view_is_to_scale():
    # The slab of the rig is 2.5 m by 1.8 m, and its stack's ring is 0.15 m (invented).
    svg = plan_view(Rig.model_validate(tomllib.loads(RIGS["one-bag.toml"])))
    (x0, y0), (x1, _), (_, y2), _ = points(svg, "load")
    assert (x1 - x0) / (y0 - y2) == pytest.approx(2.5 / 1.8, rel=2e-3)
    ring = next(it for it in ElementTree.fromstring(svg) if it.get("class") == "stack")
    assert float(ring.get("r")) / (x1 - x0) == pytest.approx(0.15 / 2.5, rel=1e-2)
    assert float(ring.get("cx")) - x0 == pytest.approx((x1 - x0) * 2.1 / 2.5, abs=0.2)


@pytest.mark.parametrize(
    ("across", "units", "said", "metres"),
    [
        (5.0, "metric", "1.00 m", 1.0), (0.5, "metric", "100 mm", 0.1), (0.03, "metric", "10 mm", 0.01),
        (2.0, "us", "1 ft 0 in", 0.3048), (0.6, "us", "6 in", 0.1524), (0.3, "us", "3 in", 0.0762), (0.15, "us", "1 in", 0.0254),
    ],
)  # fmt: skip
def test_the_bar_of_a_drawings_scale_is_a_round_length_and_as_long_as_it_says(across, units, said, metres):
    paper = Paper([(0.0, 0.0), (across, 0.1 * across)], "invented")
    drawn = paper.svg(units)
    assert f">{said}<" in drawn
    long = float(re.search(r'class="mark" d="[^"]*h([\d.]+)m0', drawn)[1]) / paper.scale
    assert long == pytest.approx(metres, rel=0.01)


def test_the_side_view_shows_the_tilt_at_the_top():
    # 390 mm at 1.05 m from the hinge (invented): the slope of the underside is tan(asin(0.39/1.05)) = 0.4. The hinge runs
    # either way; the lifted side is on the right in both, as seen from above.
    document = tomllib.loads(RIGS["tall-machine.toml"])
    for _ in range(2):
        (x0, y0), (x1, y1), *_ = points(side_view(Rig.model_validate(document)), "load")
        assert x1 > x0
        assert (y0 - y1) / (x1 - x0) == pytest.approx(0.4, abs=3e-3)
        document["load"]["hinge"].reverse()


def test_a_load_of_which_nothing_is_drawn_is_said():
    document = tomllib.loads(RIGS["one-bag.toml"])
    del document["load"]["outline"], document["load"]["thickness"]
    said = " ".join(read(made(Rig.model_validate(document))).texts)
    assert "outline is not in the file" in said
    assert "thickness is not in the file" in said


def test_the_command_writes_the_page_and_never_over_the_rig_file(tmp_path):
    rig = tmp_path / "rig.toml"
    rig.write_text(RIGS["one-bag.toml"], encoding="utf-8")
    out, err = io.StringIO(), io.StringIO()
    assert check(str(rig), False, out, err, str(tmp_path / "sheet.html")) == 0
    assert "LIFT PLAN SHEET" in out.getvalue()
    read((tmp_path / "sheet.html").read_text(encoding="utf-8"))
    link = tmp_path / "link.html"
    link.symlink_to(rig)
    for same in (rig, link):
        out, err = io.StringIO(), io.StringIO()
        assert check(str(rig), False, out, err, str(same)) == 1
        assert out.getvalue() == ""
        assert err.getvalue().count("\n") == 1
        assert "the rig file itself" in err.getvalue()
    assert rig.read_text(encoding="utf-8") == RIGS["one-bag.toml"]
    err = io.StringIO()
    assert check(str(rig), False, out, err, str(tmp_path / "no" / "sheet.html")) == 1
    assert "cannot be written (no such file or directory)" in err.getvalue()
    err = io.StringIO()
    assert check(str(rig), False, out, err, str(tmp_path)) == 1
    assert err.getvalue().count("\n") == 1
