"""The link over the broker's configuration that comes with this program: TLS, names, and who may call STOP."""

from __future__ import annotations

import pytest

from drivers.kinds.mqtt import Broker

from ...drivers.test_mosquitto import SECRETS, made, yard
from .conftest import NAME

__all__ = ["made", "yard"]

pytestmark = [pytest.mark.broker, pytest.mark.wires]


@pytest.fixture
def role(yard, tmp_path):
    """The broker's table of a user, the password in a file of theirs."""

    def of(user: str) -> Broker:
        secret = tmp_path / f"{user}.password"
        secret.write_text(SECRETS[user] + "\n")
        secret.chmod(0o600)
        return Broker(
            host=yard.host, port=yard.port, tls=True, ca=str(tmp_path / "ca.pem"), user=user, password_file=str(secret)
        )

    return of


def test_an_officer_calls_stop_and_a_screen_is_told_that_it_may_not(role, operator, following, wait_until):
    at = operator(at=role("operator"))
    screen, officer = following(at=role("screen")), following(at=role("officer"))
    for it in (screen, officer):
        wait_until(lambda it=it: it.latest() is not None and not it.trouble, what=it.who)
    screen.send("stop", reason="nobody lets me")
    wait_until(lambda: screen.call_state == "STOP NOT CONFIRMED, the broker does not let 'screen' call it: shout")
    assert at.actions("stop") == []
    officer.send("stop", reason="wind")
    wait_until(lambda: officer.call_state == "STOP confirmed by the operator's monitor")
    wait_until(lambda: screen.latest().stop_called == "officer: wind")
    assert [(it.by, it.details["reason"]) for it in at.actions("stop")] == [("officer", "wind")]


def test_a_screen_cannot_speak_for_the_operator(role, operator, following, wait_until):
    """Whoever may only read and tries to announce the rig as well is heard by nobody."""
    operator(at=role("operator"))
    it = following(at=role("officer"))
    wait_until(lambda: it.latest() is not None and not it.trouble)
    false = operator(at=role("screen"))
    said = "nobody can follow: the broker does not let 'screen' announce a rig (not authorized)"
    wait_until(lambda: said in false.session.recording)
    assert it.trouble == ""


def test_a_wrong_password_is_said_to_both_ends(role, operator, following, wait_until, tmp_path):
    for user in ("operator", "officer"):
        role(user)
    wrong = role("operator").model_copy(update={"password_file": str(tmp_path / "officer.password")})
    at, it = operator(at=wrong), following(NAME, at=wrong.model_copy(update={"user": "screen"}))
    wait_until(lambda: "nobody can follow: refused: " in at.session.recording)
    assert "found user 'operator'" in at.session.recording
    wait_until(lambda: it.trouble.startswith("SILENT: no link to the broker, refused: "))
