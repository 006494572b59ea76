"""The command line: what is called, by what was typed (`arguments`). Each command's work is imported when it is called."""

from __future__ import annotations

import argparse
import errno
import io
import os
import sys
from collections.abc import Sequence

from monitor.arguments import CAUTION, parser

_TO_AN_END = ("check", "judge", "score", "compare", "journal", "export", "season", "debrief")
"""Commands that come to an end of their own: one that was interrupted is not done. The others go on until somebody ends them."""
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
"""What a disk says that takes no more, behind standard output too."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code: 0 done, 1 the thing asked about is wrong, 2 the call is wrong."""
    top = parser()
    call = top.parse_args(argv)
    _open_output(getattr(call, "json", False))
    if call.version:
        from importlib.metadata import version

        print(f"inchwatch {version('inchwatch')}")
        return 0
    if call.completion:
        import shtab

        print(shtab.complete(top, call.completion))
        return 0
    if call.command is None:
        top.print_help()
        return 0
    try:
        code = _command(top, call)
        if sys.stdout is not None:
            sys.stdout.flush()
        return code
    except KeyboardInterrupt:
        if call.command not in _TO_AN_END:
            return 0
        print(f"inchwatch {call.command}: stopped before it was done", file=sys.stderr)
        return 1
    except BrokenPipeError:  # whoever read standard output has gone away; nothing is left to say to it
        _close_output()
        return 0
    except OSError as error:
        if (
            error.filename is not None and call.command in _TO_AN_END
        ):  # a folder that may not be read, a file that went away
            print(f"inchwatch {call.command}: {error.filename}: {error.strerror}", file=sys.stderr)
            return 1
        if error.errno not in _FULL:
            raise
        _close_output()
        print(f"inchwatch {call.command}: the output cannot be written: {error.strerror}", file=sys.stderr)
        return 1


def _open_output(as_json: bool) -> None:
    """Have standard output take every letter: JSON is UTF-8 (RFC 8259), words in an encoding without a degree sign have a "?"."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8" if as_json else None, errors="replace")


def _close_output() -> None:
    """Have what still waits for standard output go nowhere, or Python would complain of it at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _command(top: argparse.ArgumentParser, call: argparse.Namespace) -> int:
    if call.command == "check":
        return _check(top, call)
    if call.command == "judge" and (call.workers or call.dask or call.output):
        from monitor.season.command import Call as Many
        from monitor.season.command import judge_many

        typed = ("files", "limits", "fail_on", "workers", "dask", "output")
        return judge_many(Many(as_json=call.json, **{name: getattr(call, name) for name in typed}))
    if call.command == "season":
        from monitor.season.telling import season

        return season(call.file, by=call.by, figures=call.figure, as_json=call.json, html=call.html)
    if call.command == "judge":
        from monitor.debrief.judge import judge

        return judge(call.files, as_json=call.json, limits=call.limits, fail_on=call.fail_on)
    if call.command == "score":
        return _score(top, call)
    if call.command == "compare":
        from monitor.report.comparing import compare_files

        return compare_files(call.files, as_page=call.page, json=call.json, out=sys.stdout, err=sys.stderr)
    if call.command == "journal":
        from monitor.debrief.contents import Call as Asked
        from monitor.debrief.contents import journal

        kept = {name: getattr(call, name) for name in ("file", "show", "begin", "end", "repair")}
        return journal(Asked(as_json=call.json, kinds=call.kind, channels=call.channel, **kept))
    if call.command == "export":
        from monitor.debrief.export import export

        return export(call.file, call.output, call.table, CAUTION)
    if call.command == "replay":
        from monitor.debrief.command import replay
        from monitor.report.writing import Told

        return replay(call.file, who=call.who, report=Told)
    if call.command == "debrief":
        from monitor.report.command import Wanted as Report
        from monitor.report.command import debrief

        if call.marks is not None and call.form is None:
            top.error("--marks goes with --form")
        return debrief(Report(call.file, call.out, call.browser, call.form, call.marks))
    if call.command == "drivers":
        from monitor.wires import drivers

        return drivers(call.name, as_json=call.json)
    if call.command == "drill":
        return _drill(top, call)
    if call.command == "web":
        from monitor.web.command import SCREENS, web
        from monitor.web.command import Call as WebCall

        if call.args and call.args[0] in SCREENS:
            top.parse_args(call.args)  # a wrong call is said here, and not by each visitor's screen
        names = ("args", "listen", "password_file", "password_env", "certificate", "key", "most")
        return web(WebCall(**{name: getattr(call, name) for name in names}))
    if call.command == "demo":
        from monitor.drill.demo import demo

        return demo(
            call.drill,
            seed=call.seed,
            headless=call.headless,
            as_json=call.json,
            bell=call.bell,
            sound=_sound(top, call),
        )
    if call.command == "follow":
        return _follow(top, call)
    from monitor.live.opening import Call

    if call.command == "calibrate":
        from monitor.calibration.command import Wanted, calibrate

        return calibrate(
            Call(
                call.rig,
                as_json=call.json,
                ports=call.port,
                actions=call.actions is not None,
                record=call.record,
                keep=call.record is not None,
            ),
            Wanted(call.channel, call.who, call.reference, call.valid_for),
        )
    if call.record and call.no_record:
        top.error("--record and --no-record exclude each other")
    if call.no_record and (call.also or call.split):
        top.error("--also and --split say how a session is kept: not with --no-record")
    shared = {
        "rig": call.rig,
        "as_json": call.json,
        "for_": call.for_,
        "ports": call.port,
        "actions": call.actions is not None,
        "record": call.record,
        "keep": not call.no_record,
        "also": call.also,
        "split": call.split,
    }
    if call.command == "sensors" and call.board:
        if call.actions or (call.raw and not call.json):
            top.error("--raw goes with --board --json, --actions with the checks alone")
        from monitor.prelift.live_board import board

        return board(Call(**shared), raw=call.raw)
    if call.command == "sensors":
        if call.raw:
            top.error("--raw goes with --board --json, --actions with the checks alone")
        from monitor.prelift.command import sensors

        return sensors(Call(**shared))
    from monitor.live.command import run

    if (call.json or call.actions) and not call.headless:
        top.error("--json and --actions go with --headless")
    if call.serve is not None and call.broker:
        top.error("--serve is a broker of its own, --broker another: one of them")
    if (call.certificate or call.key) and call.serve is None:
        top.error("--certificate and --key close the address of --serve: not without it")
    return run(
        Call(
            **shared,
            headless=call.headless,
            bell=call.bell,
            sound=_sound(top, call),
            broker=call.broker,
            serve=call.serve,
            certificate=call.certificate,
            key=call.key,
        )
    )


def _check(top: argparse.ArgumentParser, call: argparse.Namespace) -> int:
    from monitor.rig.check import check, print_proposal, schema_text

    if call.schema:
        print(schema_text())
        return 0
    if call.rig is None:
        top.error("check needs a RIG file, or --schema")
    if call.propose:
        if call.json or call.html:
            top.error("--propose prints steps alone: not with --json or --html")
        return print_proposal(call.rig, sys.stdout, sys.stderr)
    return check(call.rig, call.json, sys.stdout, sys.stderr, call.html)


def _score(top: argparse.ArgumentParser, call: argparse.Namespace) -> int:
    from monitor.report.scoring import Wanted, example, score_files, vocabulary

    if call.example or call.figures:
        print(example().rstrip() if call.example else vocabulary(call.json))
        return 0
    if not call.files or call.form is None:
        top.error("score needs a FILE and --form, or --example, or --figures")
    return score_files(Wanted(call.files, call.form, call.marks, call.json), sys.stdout, sys.stderr)


def _follow(top: argparse.ArgumentParser, call: argparse.Namespace) -> int:
    from monitor.follow import Wanted, follow, print_schemas

    if call.schema:
        return print_schemas()
    if call.broker is None:
        top.error("follow needs a BROKER, or --schema")
    if call.all and (call.rig or call.actions):
        top.error("--all shows every rig: not with RIG or --actions")
    keys = ("ca", "certificate", "key", "password_env", "password_file")
    secrets = tuple((key, value) for key in keys if (value := getattr(call, key)) is not None)
    return follow(
        Wanted(
            call.broker,
            call.rig,
            all=call.all,
            as_json=call.json,
            for_=call.for_,
            who=call.name,
            actions=call.actions is not None,
            bell=call.bell,
            sound=_sound(top, call),
            secrets=secrets,
        )
    )


def _drill(top: argparse.ArgumentParser, call: argparse.Namespace) -> int:
    from monitor.drill.command import judge_drill, list_drills, run_drill

    if call.list:
        return list_drills(call.json)
    if call.scenario is None:
        top.error("drill needs a SCENARIO, or --list")
    if call.judge:
        if call.port or call.truth or call.once or call.speed != 1.0:
            top.error("--judge opens no port and goes at full speed: not with --port, --truth, --once or --speed")
        return judge_drill(call.scenario, rig=call.rig, seed=call.seed, as_json=call.json)
    return run_drill(
        call.scenario,
        rig=call.rig,
        ports=call.port,
        speed=call.speed,
        seed=call.seed,
        truth=call.truth,
        once=call.once,
        as_json=call.json,
    )


def _sound(top: argparse.ArgumentParser, call: argparse.Namespace) -> str | None:
    """The command line after --sound, which may be none."""
    line: str | None = call.sound
    if line is not None:
        from monitor.screens.sound import BadCommand, words

        if getattr(call, "headless", False) or (call.command == "follow" and (call.json or call.actions)):
            top.error("--sound goes with the screen")
        try:
            words(line)
        except BadCommand as error:
            top.error(f"--sound: {error}")
    return line
