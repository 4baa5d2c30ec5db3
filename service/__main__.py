"""The command `ridgeline`: reads the arguments, runs one command, says in a sentence what went wrong.

Exit codes: 0 all is well; 1 something is wrong, or something was found that should not be; 2 the command was not used
as it is meant; 130 stopped by Ctrl-C. Data goes to standard output, everything else to standard error.
"""

from __future__ import annotations

import argparse
import io
import os
import signal
import sys
import traceback
from collections.abc import Callable, Sequence
from datetime import date, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from service import commands
from service.commands import BadUsage
from service.errors import RidgelineError
from service.settings import DEFAULT_PORT
from service.terminal import clean

DATA: Final = "folder of the embedded database; not used when DATABASE_URL is set"
CAUTION: Final = "Decision support, not a medical device: local guidelines and licensed clinicians decide."


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns its exit code; never raises for what a user can cause."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a name that a terminal cannot show must not end the command
            stream.reconfigure(errors="backslashreplace")
    try:
        options = _parser().parse_args(argv)
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 2
    signal.signal(signal.SIGTERM, _stop)
    try:
        code: int = options.run(options)
        sys.stdout.flush()
    except BrokenPipeError:
        _drop_output()  # whoever read it has read enough
        return 0
    except KeyboardInterrupt:
        return _complain("stopped", 130)
    except Exception as error:
        if options.debug:
            traceback.print_exc()
        if isinstance(error, RidgelineError):
            return _complain(str(error), 2 if isinstance(error, BadUsage) else 1)
        if isinstance(error, OSError):
            _drop_output()
            return _complain(f"{error.filename or 'output'}: {error.strerror}", 1)
        return _complain(_unforeseen(error), 1)
    return code


def _drop_output() -> None:
    """Leave nothing to write for when Python closes standard output, which would fail again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _stop(*_: Any) -> None:
    """SIGTERM ends a command as Ctrl-C does: everything it started is stopped on the way out."""
    raise KeyboardInterrupt


def _complain(sentence: str, code: int) -> int:
    print(f"ridgeline: {clean(sentence)}", file=sys.stderr)
    return code


def _unforeseen(error: Exception) -> str:
    """A sentence for a fault of ours. It does not repeat the error's own text, which may hold a patient's data."""
    if type(error).__module__.startswith(("sqlalchemy", "psycopg")) and type(error).__name__ == "OperationalError":
        return "the database stopped answering; what was acknowledged is kept"
    frame = traceback.extract_tb(error.__traceback__)[-1]
    return (
        f"something went wrong that should not have ({type(error).__name__} in {Path(frame.filename).name}, "
        f"line {frame.lineno}). This is a fault in ridgeline; --debug shows the details, which may hold patient data."
    )


# --- arguments -----------------------------------------------------------------------------------------------------

Run = Callable[[argparse.Namespace], int]


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="ridgeline",
        description="Finds every infant who must be examined for retinopathy of prematurity, and says when.",
        epilog=f"`ridgeline COMMAND --help` shows what a command takes, with examples.\n\n{CAUTION}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"ridgeline {version('ridgeline')}")
    group = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def command(name: str, run: Run, help: str, *examples: str, data: bool = True) -> argparse.ArgumentParser:
        shown = "\n".join(f"  ridgeline {name} {example}".rstrip() for example in examples or [""])
        made = group.add_parser(
            name,
            help=help,
            description=f"{help[0].upper()}{help[1:]}.",
            epilog=f"examples:\n{shown}\n\n{CAUTION}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        made.add_argument("--debug", action="store_true", help="show the details of a fault; may hold patient data")
        if data:
            made.add_argument("--data", type=Path, metavar="DIR", help=DATA)
        made.set_defaults(run=run)
        return made

    _add_running(command)
    _add_setting_up(command)
    _add_people(command)
    _add_looking(command)
    return parser


def _add_running(command: Callable[..., argparse.ArgumentParser]) -> None:
    about = "a fictional three-site network to look at: nothing to configure, every infant invented"
    demo = command("demo", commands.demo, about, "", "--port 9000 --no-browser", "--data ./demo", data=False)
    demo.add_argument("--port", type=_port, help="port on this machine (default: the usual one, or any free one)")
    demo.add_argument("--data", type=Path, metavar="DIR", help="folder to keep it in; the next run goes on from there")
    demo.add_argument("--no-browser", action="store_true", help="do not open a browser")
    demo.add_argument(
        "--pace", type=_seconds, metavar="SECONDS", help="seconds between events (default: 5, later more)"
    )

    about = "the service: pages, hooks, FHIR facade and jobs"
    serve = command("serve", commands.serve, about, "", "--port 8080 --data /srv/ridgeline", "--no-jobs")
    serve.add_argument("--host", help="address to listen on (default: RIDGELINE_HOST, else this machine only)")
    serve.add_argument("--port", type=_port, help=f"port to listen on (default: RIDGELINE_PORT, else {DEFAULT_PORT})")
    serve.add_argument("--no-jobs", action="store_true", help="leave the jobs to `ridgeline work`")

    command("work", commands.work, "the jobs alone: publish, try again, catch up")


def _add_setting_up(command: Callable[..., argparse.ArgumentParser]) -> None:
    command("migrate", commands.migrate, "bring the database schema up to date")

    about = "settings, policies, site files and their worked examples: says in plain words what is wrong"
    check = command("check", commands.check, about, "", "--site larkmoor", "--live --json")
    check.add_argument("--site", help="look at this site only")
    check.add_argument("--live", action="store_true", help="also ask each site's server what will work")
    words = "also look for codes given their meaning on a page, where the embedded database must be started for it"
    check.add_argument("--meanings", action="store_true", help=words)
    check.add_argument("--json", action="store_true", help="print one JSON document")

    about = "create, renew and repair a site's subscriptions at its own server"
    subscribe = command("subscribe", commands.subscribe, about, "--site larkmoor")
    subscribe.add_argument("--site", required=True, help="the site")
    subscribe.add_argument("--json", action="store_true", help="print one JSON document")

    about = "put the policy edition that a site's file names in use there, after saying what that changes"
    activate = command("activate", commands.activate, about, "--site larkmoor --by 'Dr Kestrel'")
    activate.add_argument("--site", required=True, help="the site")
    activate.add_argument("--by", required=True, metavar="NAME", help="who answers for it; kept with the edition")

    about = "read files of FHIR records into the database"
    examples = ("Patient.ndjson Observation.ndjson.gz --site larkmoor", "bundle.json --site larkmoor --json")
    ingest = command("ingest", commands.ingest, about, *examples)
    ingest.add_argument(
        "files", nargs="+", type=Path, metavar="FILE", help="Bundle or resource (JSON), or NDJSON; also .gz"
    )
    ingest.add_argument("--site", required=True, help="the site the records are from")
    ingest.add_argument("--json", action="store_true", help="print one JSON document")


def _add_people(command: Callable[..., argparse.ArgumentParser]) -> None:
    about = "who may look: add, list, change and retire people; passwords are asked for, or read from standard input"
    examples = (
        "add millet --name Millet --role it --all-sites",
        "add fennel --name 'Nurse Fennel' --role unit --site larkmoor",
        "list --json", "change fennel --site larkmoor --site quillhaven", "change fennel --password", "retire fennel",
        "list --data /srv/ridgeline",
    )  # fmt: skip
    people = command("people", commands.people, about, *examples)
    what = people.add_subparsers(dest="what", metavar="WHAT", required=True)

    def part(name: str, help: str) -> argparse.ArgumentParser:
        made = what.add_parser(name, help=help, description=f"{help[0].upper()}{help[1:]}.")
        # the whole command takes it too: here it must not undo what was said there
        made.add_argument("--data", type=Path, metavar="DIR", default=argparse.SUPPRESS, help=DATA)
        return made

    def who(name: str, help: str, new: bool) -> argparse.ArgumentParser:
        made = part(name, help)
        made.add_argument("sign_in", metavar="SIGN-IN", help="the sign-in name: letters a to z, digits, . - _")
        if name != "retire":
            made.add_argument("--name", required=new, help="the name as it is shown")
            made.add_argument("--role", required=new, help="unit, ophthalmologist, coordinator, it, auditor or machine")
            made.add_argument("--language", help="the language of the pages, as in `es` (default: the browser's)")
            sites = made.add_mutually_exclusive_group(required=new)
            sites.add_argument("--site", action="append", help="a site they may see; again for another")
            sites.add_argument("--all-sites", action="store_true", help="all sites, those to come as well")
        return made

    who("add", "register somebody; a machine gets a token, everybody else types a password", new=True)
    who("change", "change what is given and leave the rest", new=False).add_argument(
        "--password", action="store_true", help="ask for another password"
    )
    who("retire", "let somebody look no more; what they did stays on record", new=False)
    part("list", "everybody registered").add_argument("--json", action="store_true", help="print one JSON document")


def _add_looking(command: Callable[..., argparse.ArgumentParser]) -> None:
    about = "who must be examined and when, from a file: one line of JSON per infant, no database"
    examples: tuple[str, ...] = ("unit.ndjson.gz", "bundle.json --policy uk-2022 --as-of 2031-06-01", "cases.toml")
    assess = command("assess", commands.assess, about, *examples, data=False)
    assess.add_argument(
        "file", type=Path, metavar="FILE", help="Bundle (JSON) or NDJSON, also .gz; or [[example]] cases (TOML)"
    )
    assess.add_argument("--policy", help=f"policy edition (default: the site's, else {commands.DEFAULT_POLICY})")
    as_of = "the day to judge for (default: today); the date of a case goes first"
    assess.add_argument("--as-of", type=_day, metavar="DATE", help=as_of)
    assess.add_argument("--site", help="read codes the way this site writes them")

    about = "whom a policy selects out of a register, first exams by week, and what another policy would change"
    examples = ("births.csv", "births.csv --policy uk-2008 --policy uk-2022", "unit.ndjson.gz --policy aap-2018 --json")
    cohort = command("cohort", commands.cohort, about, *examples, data=False)
    words = (
        "CSV, also .gz, one infant a row, with the columns id, born (2031-05-01), gestational_age_at_birth (26w4d; or "
        "gestational_age_weeks and gestational_age_days), birth_weight (grams; birth_weight_kg, _lb, _oz) and risk "
        "(yes or no), in any order, of which a weight or an age must be there; or Bundle (JSON) or NDJSON"
    )
    cohort.add_argument("file", type=Path, metavar="FILE", help=words)
    words = f"policy edition (default: {commands.DEFAULT_POLICY}); given again: what the other would change"
    cohort.add_argument("--policy", action="append", metavar="POLICY", help=words)
    cohort.add_argument("--json", action="store_true", help="print one JSON document")

    about = "the ranked list of who needs an exam"
    examples = ("", "--site larkmoor", "--as-of 2031-06-01 --csv > list.csv", "--html > downtime.html")
    worklist = command("worklist", commands.worklist, about, *examples)
    worklist.add_argument("--site", help="this site only (default: all)")
    worklist.add_argument("--as-of", type=_day, metavar="DATE", help="as it stands on this day (default: today there)")
    _add_known_at(worklist)
    form = worklist.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print one JSON document")
    form.add_argument("--csv", action="store_true", help="print a table for a spreadsheet")
    form.add_argument("--html", action="store_true", help="print a page that needs no server, for paper or downtime")

    about = "one infant: the next date, its rule and source, and every date ever shown with what changed it"
    examples = (
        "larkmoor-001", "4711 --site larkmoor --as-of 2031-06-01", "4711 --known-at 2031-06-01T07:00Z",
        "larkmoor-001 --json",
    )  # fmt: skip
    explain = command("explain", commands.explain, about, *examples)
    explain.add_argument("patient", metavar="PATIENT", help="Patient id, the number people use, or the key of a page")
    explain.add_argument("--site", help="look at this site only")
    explain.add_argument("--as-of", type=_day, metavar="DATE", help="decided for this day (default: today there)")
    _add_known_at(explain)
    explain.add_argument("--json", action="store_true", help="print one JSON document")

    about = "what another policy edition would change at a site, infant by infant; changes nothing"
    impact = command("impact", commands.impact, about, "--site larkmoor", "--site larkmoor --policy aap-2013 --json")
    impact.add_argument("--site", required=True, help="the site")
    impact.add_argument("--policy", help="the edition or variation to try (default: what the site's file names)")
    impact.add_argument("--json", action="store_true", help="print one JSON document")


def _add_known_at(command: argparse.ArgumentParser) -> None:
    words = "only what was known then, as 2031-06-01T07:00+02:00 (default: all that is known)"
    command.add_argument("--known-at", type=_instant, metavar="INSTANT", help=words)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date; write 2031-06-01") from None


def _instant(text: str) -> datetime:
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        instant = None
    if instant is None or instant.tzinfo is None or not 1900 <= instant.year < 2200:
        raise argparse.ArgumentTypeError(f"{text!r} is not an instant; write 2031-06-01T07:00+02:00, with its zone")
    return instant


def _port(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 0 < int(text) < 65536:
        raise argparse.ArgumentTypeError(f"{text!r} is not a port; write a number from 1 to 65535")
    return int(text)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 <= seconds <= 3600:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of seconds from 0 to 3600")
    return seconds


if __name__ == "__main__":
    sys.exit(main())
