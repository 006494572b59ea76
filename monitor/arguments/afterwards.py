"""What is typed once a lift is over, or a season: everything that reads recordings."""

from __future__ import annotations

from monitor.arguments import shared

TYPE_CHECKING = False
if TYPE_CHECKING:
    from monitor.arguments.shared import Commands

PRIORITIES = ("notice", "caution", "warning", "danger")


def judge(commands: Commands) -> None:
    """`inchwatch judge`."""
    it = shared.added(
        commands,
        "judge",
        "run the engine again over recordings and print the verdict",
        "A recording that is edited, torn or not closed is judged as far as it can be believed, and said to be so (in JSON by "
        "complete and damage): that alone is exit code 0. To have it refused, ask inchwatch journal, which ends with 1.",
    )
    shared.recordings(it)
    shared.as_json(it, "one JSON object a session")
    it.add_argument("--limits", metavar="TOML", help="judge under other limits: a file with a [limits] table")
    it.add_argument(
        "--fail-on",
        choices=PRIORITIES,
        metavar="PRIORITY",
        help="exit with 1 if an alarm of this priority or above was raised: " + ", ".join(PRIORITIES),
    )
    it.add_argument(
        "--workers", metavar="N", help="so many recordings at once, each in a process of its own; all: one a processor"
    )
    it.add_argument(
        "--dask",
        metavar="ADDRESS",
        help="on the cluster of this Dask scheduler, such as tcp://HOST:8786; its workers must find the recordings at the same "
        "paths, and have the same inchwatch (needs inchwatch[dask])",
    )
    it.add_argument(
        "-o",
        "--output",
        metavar="FILE",
        help="write a season instead: a Parquet file with a row a session and a column a figure; what it has already is not "
        "judged again, and a run that was cut off goes on (needs inchwatch[tables])",
    )


def season(commands: Commands) -> None:
    """`inchwatch season`."""
    it = shared.added(
        commands,
        "season",
        "how the figures of many recordings went over time, from what judge -o wrote",
        "By rig, or by folder where each crew keeps its recordings in one of its own: a recording does not know who the crew was. "
        "The same bytes under two names count once in a line. A trend is said only where chance is an unlikely reason for it, and "
        "it is never a cause.",
    )
    it.add_argument("file", metavar="FILE", help="the Parquet file")
    it.add_argument("--by", choices=("rig", "folder", "all"), default="rig", help="what is one line (default: rig)")
    named = "a figure by its name, such as gap.greatest_m (may be repeated; default: those that most crews ask for)"
    shared.several(it, "--figure", "NAME", named)
    shared.as_json(it, "one JSON object")
    it.add_argument("--html", metavar="FILE", help="write a page to print as well, with charts")


def score(commands: Commands) -> None:
    """`inchwatch score`."""
    it = shared.added(
        commands,
        "score",
        "hold recordings against an evaluation form: points over what was measured, and what an instructor marks",
        "What is not known earns nothing. Exit code 0 only if all were passed.",
    )
    it.add_argument("files", nargs="*", metavar="FILE", help="recording, or a folder with one")
    shared.form(it, "the evaluation form")
    shared.as_json(it, "one JSON object a recording; values in SI")
    it.add_argument("--example", action="store_true", help="print a form to begin with, and exit")
    it.add_argument("--figures", action="store_true", help="print every figure that a form may ask for, and exit")


def compare(commands: Commands) -> None:
    """`inchwatch compare`."""
    it = shared.added(
        commands,
        "compare",
        "lay recorded lifts side by side: what differs, which is better, step by step",
        "Two drills, or one crew's over a season, up to twelve; in the order given.",
    )
    shared.recordings(it)
    it.add_argument("-o", dest="page", metavar="HTML", help="write it as a page with charts, to print or hand out")
    shared.as_json(it, "one JSON object; values in SI")


def replay(commands: Commands) -> None:
    """`inchwatch replay`."""
    it = shared.added(
        commands,
        "replay",
        "walk through a recording: every picture as it was live, on a bar of time with alarms, steps, marks and notes",
        "Nothing in it acts on a rig. Notes are kept beside its first file (of yard.jsonl in yard.notes.jsonl), never in it.",
    )
    shared.recording(it)
    it.add_argument("--who", metavar="NAME", help="who writes the notes (default: whoever is logged in)")


def debrief(commands: Commands) -> None:
    """`inchwatch debrief`."""
    it = shared.added(
        commands,
        "debrief",
        "write the report of a recording: the lift in plain words, plan against done, charts, alarms, sensors, notes",
        "One file that needs no other and no network. An older report of that name is replaced.",
    )
    shared.recording(it)
    it.add_argument(
        "-o",
        "--out",
        metavar="FILE",
        help="REPORT.html, or REPORT.pdf (default: beside its first file; of yard.jsonl yard.report.html)",
    )
    shared.form(it, "with a score sheet by this evaluation form, as in score")
    it.add_argument(
        "--browser",
        metavar="COMMAND",
        help="what prints a PDF (default: Chromium, Chrome or Edge, as installed; A4, with US units letter)",
    )


def journal(commands: Commands) -> None:
    """`inchwatch journal`."""
    it = shared.added(
        commands,
        "journal",
        "check every seal of a recording and say what is in it; print its entries, or repair it into a new file",
        "Exit code 0 only if every seal holds and it was closed in order, or if it was repaired.",
    )
    shared.recording(it)
    shared.as_json(it, "one JSON object; with --print each entry as it was kept")
    it.add_argument("--print", dest="show", action="store_true", help="print the entries, a line each")
    kinds = ("reading", "tick", "action", "notice", "alarm")
    shared.several(it, "--kind", None, "with --print: these alone (may be repeated)", kinds)
    shared.several(it, "--channel", "NAME", "with --print: of these alone (may be repeated)")
    it.add_argument("--from", dest="begin", metavar="TIME", help="with --print: from then on, such as 90s or 2 min")
    it.add_argument("--to", dest="end", metavar="TIME", help="with --print: up to then")
    it.add_argument(
        "--repair",
        metavar="NEW",
        help="write what is played of a damaged recording into this new file, with a line that says what is missing; the old "
        "one is not touched, and nothing is written over",
    )


def export(commands: Commands) -> None:
    """`inchwatch export`."""
    it = shared.added(
        commands,
        "export",
        "write a recording as tables: readings, pictures, actions, notices, alarms, with units",
        "CSV and Parquet are a file a table (NAME.readings.csv, ...), CSV with a description beside it; MCAP is one file. Parquet "
        "and MCAP need inchwatch[tables].",
    )
    shared.recording(it)
    it.add_argument(
        "-o", "--output", required=True, metavar="NAME", help="new file that ends in .csv, .parquet or .mcap"
    )
    tables = ("readings", "pictures", "actions", "notices", "alarms")
    one = "this one alone, into the very file that is named (may be repeated)"
    shared.several(it, "--table", None, one, tables)
