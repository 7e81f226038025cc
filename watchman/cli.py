"""The commands: what is typed, what is printed, and exit codes; the only reader of the environment.

Exit codes: 0 done, 1 our bug, 2 your input, 3 something outside failed. Imports are made inside the commands, so that
`watchman --help` answers at once.
"""

from __future__ import annotations

import json
import logging
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from watchman.errors import InputError, Mistake, OutsideError

if TYPE_CHECKING:
    from watchman.judging.cleared import Cleared
    from watchman.model import Readings, Rejected, Span
    from watchman.network import Network
    from watchman.store import Store

NETWORK = click.argument("network", type=click.Path(file_okay=False, path_type=Path))
WHO = click.option("--as", "who", default="", help="Your name, as it stands at the contacts.")
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print for a program rather than a person.")
EXAMPLE = "\b\nExample:\n  "
SHOWN = 10
"""How many rows that can't be read are shown one by one."""


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="watchman", message="%(version)s")
def commands() -> None:
    """Watch remote rain-gauge stations, and tell the right person once.

    NETWORK is the folder with network.toml, stations.csv and rules/; `watchman init NETWORK` makes one.
    """


@commands.command(epilog=f"{EXAMPLE}watchman init my-network")
@NETWORK
def init(network: Path) -> None:
    """Make a network's folder: a handful of questions, a look at the data, a folder that works."""
    from watchman.init import start

    def ask(question: str, default: str) -> str:
        return str(click.prompt(question, default=default, show_default=bool(default)))

    start(network, ask=ask, tell=click.echo)


@commands.command(epilog=f"{EXAMPLE}watchman verify my-network")
@NETWORK
@AS_JSON
def verify(network: Path, as_json: bool) -> None:
    """Read everything, try each source and channel, and say what is not covered."""
    from watchman.verify import verify as look

    report = look(network, secret, now())
    click.echo(
        json.dumps({"lines": report.lines, "exit_code": report.exit_code}) if as_json else "\n".join(report.lines)
    )
    sys.exit(report.exit_code)


@commands.command(epilog=f"{EXAMPLE}watchman run my-network")
@NETWORK
@click.option("--verbose", is_flag=True, help="Log every cycle, and every row that can't be read.")
def run(network: Path, verbose: bool) -> None:
    """Watch until told to stop (Ctrl-C, or the service manager)."""
    from watchman import daemon

    _log(logging.DEBUG if verbose else logging.INFO)
    if not daemon.run(network, secret):
        # A server that doesn't answer must not hold up the end; what was on its way is known to the store as such.
        logging.shutdown()
        os._exit(0)


@commands.command(
    epilog=f"{EXAMPLE}watchman once my-network\n  cat rows.csv | watchman once my-network --input main\n  "
    "cat hollin.csv | watchman once my-network --input loggers --station hollin"
)
@NETWORK
@click.option("--input", "source", default="", help="Read this source's rows from standard input, this once.")
@click.option("--station", default="", help="Whose rows they are, where {station} stands in the source's place.")
def once(network: Path, source: str, station: str) -> None:
    """Fetch once, judge, and send what is due; then end.

    With --input the rows of one source come from standard input, in the form that network.toml says of it; the others
    are fetched as always. Rows that were read before are no news.
    """
    from watchman import daemon
    from watchman.readings.sources.piped import Given

    if station and not source:
        raise InputError([Mistake("--station", "it belongs to --input", "For instance --input main --station hollin.")])
    if source and sys.stdin.isatty():
        raise InputError([Mistake("--input", "nothing is piped in", "For instance: watchman once ... < rows.csv")])
    _log(logging.WARNING)
    given = Given(source, sys.stdin.buffer, station) if source else None
    told, deliveries = daemon.once(network, secret, given=given)
    for delivery in deliveries:
        _not_read(delivery.rejected)
    click.echo(f"{_number(len(told.events), 'event')}, {_number(len(told.notices), 'notice')} made.")
    for event in told.events:
        click.echo(f"  {event.kind.value}: {event.alarm.key.rule} {event.alarm.key.scope} no. {event.alarm.number}")
    troubles = {one.source: one.trouble for one in deliveries if one.trouble and source in ("", one.source)}
    if troubles and (source or len(troubles) == len({one.source for one in deliveries})):
        raise OutsideError("\n".join(f"source {name}: {trouble}" for name, trouble in troubles.items()))


@commands.command(
    epilog=f"{EXAMPLE}watchman replay my-network --from 2025-10-20 --to 2025-11-03\n  "
    "watchman replay my-network --from 2025-10-20T00:00:00Z --to 2025-11-03T00:00:00Z --format ndjson\n  "
    "watchman replay my-network --from 2025-10-20 --to 2025-11-03 --with other/heavy-rain.toml"
)
@NETWORK
@click.option("--from", "begin", required=True, help="Begin: a day (its 00:00), or a time like 2025-10-20T06:00:00Z.")
@click.option("--to", "end", required=True, help="End, written alike.")
@click.option(
    "--every", "every_minutes", type=click.FloatRange(1, 1440), default=5.0, help="Minutes between polls [5]."
)
@click.option(
    "--format", "form", type=click.Choice(["text", "ndjson"]), default="text", help="For people, or for programs."
)
@click.option(
    "--with",
    "others",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A rule file to try, in the place of the rule of the same name or beside the others; may stand several times.",
)
def replay(network: Path, begin: str, end: str, every_minutes: float, form: str, others: tuple[Path, ...]) -> None:
    """Run the rules over past readings and print what would have been told, and to whom; nothing is sent.

    Files are read as they lie there; what came over HTTP is taken from the store. Readings are seen when they arrived.
    Times without an offset are in the network's zone. At the end stands how often each person would have been told.

    With --with the same past is run twice, by the rules as they are and by the others, and what these would have added
    and lost is printed. Lines of the two runs are one when they have the same rule, station (or mast, source ...) and
    event and lie within a day of each other.
    """
    from watchman import replay as past
    from watchman import tuning

    loaded = _load(network)
    begins, ends = (_time(text, option, loaded) for text, option in ((begin, "--from"), (end, "--to")))
    if ends < begins:
        raise InputError([Mistake("--to", "it is before --from", "A replay runs forward.")])
    loaded = _load(network, ends.date())
    changed = _load(network, ends.date(), others) if others else loaded
    readings, rejected, remarks, spans, said = _past(loaded, ends)
    for remark in remarks:
        click.echo(remark, err=True)
    _not_read(rejected)

    def run(rules_of: Network) -> Iterator[tuple[str, dict[str, Any]]]:
        every = timedelta(minutes=every_minutes)
        return past.scoped(rules_of, readings, begins, ends, every=every, spans=spans, said=said)

    if others:
        _compare(loaded, list(run(loaded)), list(run(changed)), form)
        return
    told = []
    for _scope, line in run(loaded):
        click.echo(past.as_line(line) if form == "ndjson" else _told(line, loaded))
        told.append(line)
    if form == "text":
        click.echo("\n".join(["", *tuning.as_table([("notices", told)], loaded.zone)]))


def _compare(
    network: Network, before: list[tuple[str, dict[str, Any]]], after: list[tuple[str, dict[str, Any]]], form: str
) -> None:
    """Print what a second run would have added and lost."""
    from watchman import replay as past
    from watchman import tuning

    changes = tuning.compared(before, after)
    if form == "ndjson":
        for line in changes:
            click.echo(past.as_line(line))
        return
    runs = [("as it is", [line for _, line in before]), ("with the others", [line for _, line in after])]
    click.echo("\n".join(tuning.as_table(runs, network.zone)))
    for change in (tuning.ADDED, tuning.LOST):
        lines = [line for line in changes if line["change"] == change]
        click.echo(f"\n{change.capitalize()}: {len(lines) or 'nothing'}")
        for line in lines:
            click.echo(_told(line, network))


def _told(line: dict[str, Any], network: Network) -> str:
    digest = " (in the digest)" if line["when"] == "weekly" else ""
    return f"{_local(line['at'], network)}  {', '.join(line['to'])}{digest}\n    {line['text']}"


@commands.command(epilog=f"{EXAMPLE}watchman status my-network")
@NETWORK
@AS_JSON
def status(network: Path, as_json: bool) -> None:
    """Show each station now: last heard, rain, battery, and the alarms that stand."""
    from watchman import overview

    loaded = _load(network)
    with closing(_store(loaded)) as store:
        facts = overview.status(loaded, store, now())
    click.echo(json.dumps(facts, ensure_ascii=False) if as_json else overview.as_text(facts))


@commands.command(
    epilog=f"{EXAMPLE}watchman why my-network hollin\n  watchman why my-network hollin --at 2025-10-21\n  "
    "watchman why my-network"
)
@NETWORK
@click.argument("station", default="")
@click.option("--at", "at", help="As it was known then [now]: a day (its end), or a time like 2025-10-20T06:00:00Z.")
@AS_JSON
def why(network: Path, station: str, at: str | None, as_json: bool) -> None:
    """Say of each rule whether it told of a station, on which numbers, and what would have made the difference."""
    from dataclasses import asdict

    from watchman import watch
    from watchman import why as answering

    loaded = _load(network)
    moment = _end_of_day(at, loaded) if at else now()
    loaded = _load(network, moment.date())
    chosen = _station(loaded, station) if station else ""
    with ExitStack() as opened:
        try:
            store = opened.enter_context(closing(_store(loaded)))
        except OutsideError:
            store = None  # files can be asked about without one
        if at or store is None:
            readings, _rejected, remarks, spans, said = _past(loaded, moment)
            for remark in remarks:
                click.echo(remark, err=True)
            watching = answering.as_known(loaded, readings, spans, moment, said)
        else:
            watching = watch.begin(loaded, store, moment)
        if chosen:
            answers = answering.of_station(loaded, watching, store, chosen, moment)
        else:
            answers = answering.of_network(loaded, watching, store, moment)
    if as_json:
        click.echo(json.dumps([asdict(answer) for answer in answers], ensure_ascii=False))
        return
    name = next((one.name or one.id for one in loaded.stations if one.id == chosen), loaded.name)
    click.echo(answering.as_text(f"{name}, as it was known {_local(moment, loaded)}", answers))


@commands.command(epilog=f"{EXAMPLE}watchman acknowledge my-network 41 --as tech-1")
@NETWORK
@click.argument("alarm", type=int)
@WHO
def acknowledge(network: Path, alarm: int, who: str) -> None:
    """Say that you have seen an alarm and see to it; you are told when it is over."""
    _answer(_load(network), "acknowledge", alarm, who)


@commands.command(epilog=f"{EXAMPLE}watchman answer my-network 41 OK going on Thursday --as tech-1")
@NETWORK
@click.argument("alarm", type=int)
@click.argument("words", nargs=-1, required=True)
@WHO
def answer(network: Path, alarm: int, words: tuple[str, ...], who: str) -> None:
    """Answer an alarm in the words of a reply: OK, LATER THU, TEST, RAIN, VISIT 2H, DONE, "not a fault: a sprinkler".

    NOT A FAULT closes it, and its evidence begins again from nothing. TEST and RAIN say what tips were that are held.
    """
    from watchman import answers
    from watchman.telling import answering

    loaded = _load(network)
    person = _person(loaded, who)
    said = answering.read(" ".join(words), loaded, now())
    if isinstance(said, str):
        raise InputError([Mistake("WORDS", f'"{" ".join(words)[:60]}" is no answer', said)])
    with closing(_store(loaded)) as store:
        if store.alarm(alarm) is None:
            raise InputError([Mistake("ALARM", f"alarm {alarm} does not exist", _standing(store))])
        done = answers.act(store, loaded, said, person, now(), alarm=alarm)
    if not done.acted:
        raise InputError([Mistake("WORDS", f"nothing was done about {alarm}", done.sentence)])
    click.echo(done.sentence)


ENDS = "A shelving always has an end: --hours 48, or --until 2025-11-03."


@commands.command(epilog=f'{EXAMPLE}watchman shelve my-network 41 --hours 48 --reason "new cell ordered" --as tech-1')
@NETWORK
@click.argument("alarm", type=int)
@click.option("--hours", type=click.FloatRange(0.1, 24 * 90), help="For how long.")
@click.option("--until", help="Until when: a day, or a time.")
@click.option("--reason", default="", help="Why.")
@WHO
def shelve(network: Path, alarm: int, hours: float | None, until: str | None, reason: str, who: str) -> None:
    """Set an alarm aside until a stated time; it comes back by itself."""
    if (hours is None) == (until is None):
        raise InputError([Mistake("shelve", "no end is given" if hours is None else "two ends are given", ENDS)])
    loaded = _load(network)
    ends = now() + timedelta(hours=hours) if hours is not None else _time(str(until), "--until", loaded)
    if ends <= now():
        raise InputError([Mistake("--until", "it is already past", "A shelving ends in the future.")])
    _answer(loaded, "shelve", alarm, who, until=ends, reason=reason)


@commands.command(epilog=f"{EXAMPLE}watchman unshelve my-network 41 --as tech-1")
@NETWORK
@click.argument("alarm", type=int)
@WHO
def unshelve(network: Path, alarm: int, who: str) -> None:
    """Take a shelved alarm back before its time."""
    _answer(_load(network), "unshelve", alarm, who)


@commands.group()
def maintenance() -> None:
    """Book work at a station: its tips then don't count as rain, and rules wait unless they say otherwise."""


@maintenance.command(
    "add",
    epilog=f"{EXAMPLE}watchman maintenance add my-network hollin --hours 3 --as crew\n  "
    "watchman maintenance add my-network hollin --from 2025-10-20T09:40 --to 2025-10-20T11:00",
)
@NETWORK
@click.argument("station")
@click.option("--from", "begin", help="Begin [now]; may lie in the past.")
@click.option("--to", "end", help="End.")
@click.option("--hours", type=click.FloatRange(0.1, 24 * 14), help="For how long [3].")
@click.option("--poured", type=click.FloatRange(1, 100_000), help="Water poured in each test [ml].")
@WHO
def maintenance_add(
    network: Path,
    station: str,
    begin: str | None,
    end: str | None,
    hours: float | None,
    poured: float | None,
    who: str,
) -> None:
    """Book a window, also afterwards; it closes by itself, and its visitor is told what the station sent.

    With --poured its test tips are held against what that water makes; for that stations.csv must say funnel_cm2 and
    tip_mm.
    """
    from watchman.answers import poured_mark

    loaded = _load(network)
    station, who = _station(loaded, station), _person(loaded, who)
    begins = _time(begin, "--from", loaded) if begin else now()
    if end and hours:
        raise InputError([Mistake("maintenance add", "both --to and --hours are given", "Give one of them.")])
    ends = _time(end, "--to", loaded) if end else begins + timedelta(hours=hours or 3)
    if ends <= begins:
        raise InputError([Mistake("--to", "the window ends before it begins", "Give a later end.")])
    expected = _tips_of(loaded, station, poured)
    with closing(_store(loaded, create=True)) as store:
        span = store.add_span(station, begins, ends, "visit", who, now())
        if poured:
            store.set_mark(poured_mark(span), f"{poured:g}")
    click.echo(f"Window {span.number}: {station} from {_local(begins, loaded)} to {_local(ends, loaded)}.{expected}")


def _tips_of(network: Network, station: str, poured: float | None) -> str:
    """Return how many tips a volume [ml] makes, as a sentence to add; "" without a volume."""
    from watchman.visiting import expected_tips

    if not poured:
        return ""
    tips = expected_tips(network, station, poured)
    if tips is None:
        allowed = "Write both into its line of stations.csv; then it is known how many tips the water makes."
        raise InputError([Mistake("--poured", f"{station} has no funnel_cm2 or no tip_mm", allowed, "200 and 0.2")])
    return f" {poured:g} ml make about {tips:.0f} tips."


@maintenance.command("list", epilog=f"{EXAMPLE}watchman maintenance list my-network")
@NETWORK
@AS_JSON
def maintenance_list(network: Path, as_json: bool) -> None:
    """List the windows, the newest last."""
    from watchman.visiting import poured_ml

    loaded = _load(network)
    with closing(_store(loaded)) as store:
        spans, marks = [span for span in store.spans() if span.withdrawn_at is None], store.marks()
    if as_json:
        windows = [_window(span) | {"poured_ml": poured_ml(marks, span)} for span in spans]
        click.echo(json.dumps(windows, ensure_ascii=False))
        return
    for span in spans:
        running = " (running)" if span.begins_at <= now() < span.ends_at else ""
        begins, ends = _local(span.begins_at, loaded), _local(span.ends_at, loaded)
        reason = "" if span.reason == "visit" else f" ({span.reason})"
        reason += f" ({ml:g} ml poured)" if (ml := poured_ml(marks, span)) else ""
        click.echo(f"{span.number:4}  {span.station:16} {begins} to {ends}  {span.who}{reason}{running}")
    if not spans:
        click.echo("No window is booked.")


def _window(span: Span) -> dict[str, Any]:
    return {
        "number": span.number,
        "station": span.station,
        "begins_at": span.begins_at.isoformat(),
        "ends_at": span.ends_at.isoformat(),
        "reason": span.reason,
        "who": span.who,
    }


@maintenance.command("end", epilog=f"{EXAMPLE}watchman maintenance end my-network 7 --at 2025-10-20T11:40")
@NETWORK
@click.argument("window", type=int)
@click.option("--at", "at", help="When the work ended [now]; may lie in the past.")
@click.option("--poured", type=click.FloatRange(1, 100_000), help="Water poured in each test [ml].")
def maintenance_end(network: Path, window: int, at: str | None, poured: float | None) -> None:
    """End a window early; one that has not begun yet is taken back."""
    from watchman.answers import poured_mark

    loaded = _load(network)
    ends = _time(at, "--at", loaded) if at else now()
    with closing(_store(loaded)) as store:
        span = next((one for one in store.spans() if one.number == window and one.withdrawn_at is None), None)
        if span is None:
            raise InputError(
                [Mistake("maintenance end", f"there is no window {window}", "`watchman maintenance list` shows them.")]
            )
        expected = _tips_of(loaded, span.station, poured)
        if span.begins_at >= ends:
            store.withdraw_span(window, now())
            click.echo(f"Window {window} at {span.station} is taken back.")
        elif span.ends_at <= ends:
            found = f"window {window} has ended already, {_local(span.ends_at, loaded)}"
            raise InputError([Mistake("--at", found, "Give an earlier time; a longer visit is a new window.")])
        else:
            store.end_span(window, ends, now())
            if poured:
                store.set_mark(poured_mark(span), f"{poured:g}")
            click.echo(f"Window {window} at {span.station} ended {_local(ends, loaded)}.{expected}")


@commands.command(epilog=f"{EXAMPLE}watchman digest my-network --week 2025-W43")
@NETWORK
@click.option("--week", help="Which week, like 2025-W43 [the last complete one].")
@click.option("--html", "as_html", is_flag=True, help="Print the HTML part.")
def digest(network: Path, week: str | None, as_html: bool) -> None:
    """Print the weekly digest; nothing is sent."""
    from watchman import overview

    loaded = _load(network)
    with closing(_store(loaded)) as store:
        said = overview.digest(loaded, store, week, now())
    click.echo(overview.page_of(said) if as_html else f"{said.subject}\n\n{said.text}")


@commands.command(epilog=f"{EXAMPLE}watchman visits my-network\n  watchman visits my-network --format ics")
@NETWORK
@click.option(
    "--format", "form", type=click.Choice(["text", "csv", "ics"]), default="text", help="Text, a table, or a calendar."
)
def visits(network: Path, form: str) -> None:
    """Print which stations are worth a drive: grouped into trips, with what to bring, how long, and by when."""
    from watchman import overview

    loaded = _load(network)
    with closing(_store(loaded)) as store:
        said = overview.visits(loaded, store, form, now())
    # A table and a calendar have line ends of their own.
    click.echo(said.encode() if form != "text" else said, nl=form == "text")


@commands.command(
    epilog=f"{EXAMPLE}watchman export my-network --from 2025-10-01 --to 2025-11-01\n  "
    "watchman export my-network --from 2025-10-20T06:00 --to 2025-10-21 --station hollin --out hollin-storm"
)
@NETWORK
@click.option("--from", "begin", required=True, help="Begin: a day (its 00:00), or a time like 2025-10-20T06:00:00Z.")
@click.option("--to", "end", required=True, help="End, written alike; a whole October is to 2025-11-01.")
@click.option("--station", "stations", multiple=True, help="Which station [all]; may stand several times.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="The folder to make [the network's name and the days, here]; nothing is overwritten.",
)
def export(network: Path, begin: str, end: str, stations: tuple[str, ...], out: Path | None) -> None:
    """Write the data manager's copy: readings as delivered and as judged, maintenance, alarms and events, as CSV.

    A folder is made in which README.txt says what each column means. Times without an offset are in the network's zone.
    """
    from watchman import export as copying

    loaded = _load(network)
    begins, ends = (_time(text, option, loaded) for text, option in ((begin, "--from"), (end, "--to")))
    if ends <= begins:
        raise InputError([Mistake("--to", "it is not after --from", "A day is its 00:00: one day ends with the next.")])
    days = f"{_local(begins, loaded)[:10]}-to-{_local(ends, loaded)[:10]}"
    target = out or Path(f"{loaded.folder.resolve().name}-{days}")
    with closing(_store(loaded)) as store:
        asked = copying.Asked(begins, ends, copying.stations_named(loaded, store, stations))
        length, hidden = int((ends - begins).total_seconds()), not sys.stderr.isatty()
        with click.progressbar(length=length, label="Readings", file=sys.stderr, hidden=hidden) as bar:
            lines = copying.export(lambda day: _load(network, day), store, asked, target, now(), bar.update)
    click.echo("\n".join(lines))


@commands.command(epilog=f"{EXAMPLE}watchman drill my-network --to tech-1\n  watchman drill my-network --answers")
@NETWORK
@click.option("--to", "people", multiple=True, help="To whom [everyone]; may stand several times.")
@click.option("--answers", is_flag=True, help="Send nothing; say who has answered the last drill.")
def drill(network: Path, people: tuple[str, ...], answers: bool) -> None:
    """Send a marked exercise notice to everyone, or to some, by every channel they have."""
    from watchman import overview

    loaded = _load(network)
    if answers:
        with closing(_store(loaded)) as store:
            click.echo("\n".join(overview.drill_answers(loaded, store, now())))
        return
    for person in people:
        _person(loaded, person, "--to")
    with closing(_store(loaded, create=True)) as store:
        for line in overview.drill(loaded, store, people, now()):
            click.echo(line)


@commands.command(epilog=f"{EXAMPLE}watchman schema schemas")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
def schema(folder: Path) -> None:
    """Write a JSON Schema for each file people write, for an editor that completes and checks while you type."""
    from watchman.network import schemas

    for name, body in schemas().items():
        path = folder / f"{name}.schema.json"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(body, indent=2) + "\n", encoding="utf-8")
        click.echo(path)


@commands.command(epilog=f"{EXAMPLE}watchman backup my-network /media/stick/watch-2025-10-20.db")
@NETWORK
@click.argument("target", type=click.Path(dir_okay=False, path_type=Path))
def backup(network: Path, target: Path) -> None:
    """Copy the store while it is in use."""
    with closing(_store(_load(network))) as store:
        store.backup(target)
    click.echo(f"The store was copied to {target}.")


def main() -> None:
    """Run a command; people's mistakes and outside trouble are sentences, our own bugs are tracebacks."""
    try:
        commands.main(standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("Stopped.", err=True)
        sys.exit(2)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except InputError as error:
        for mistake in error.mistakes:
            click.echo(str(mistake), err=True)
        sys.exit(2)
    except OutsideError as error:
        click.echo(str(error), err=True)
        sys.exit(3)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(3)


def now() -> datetime:
    """Return the host's time."""
    return datetime.now(UTC)


def secret(name: str) -> str | None:
    """Return a secret from the credentials directory, else from the environment."""
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    # systemd puts `watchman_` before the names when it passes on the files of a whole folder (deploy/watchman.service).
    for path in (Path(folder) / name, Path(folder) / f"watchman_{name}") if folder else ():
        try:
            if path.is_file():
                return path.read_text(encoding="utf-8").rstrip("\r\n")
        except OSError as error:
            raise OutsideError(f"The credential {path} can't be read: {error.strerror}.") from None
    return os.environ.get(f"WATCHMAN_{name.upper()}")


def _load(folder: Path, today: date | None = None, other_rules: Sequence[Path] = ()) -> Network:
    from watchman.network import load

    return load(folder, secret, today or now().date(), other_rules)


def _store(network: Network, *, create: bool = False) -> Store:
    from watchman.store import Store

    store = Store.open(network.store.address.get_secret_value(), network.folder, create=create)
    store.bind([station.id for station in network.stations], [source.name for source in network.sources])
    return store


def _past(
    network: Network, end: datetime
) -> tuple[Readings, tuple[Rejected, ...], list[str], tuple[Span, ...], tuple[Cleared, ...]]:
    """Return what can be replayed: readings, rows that can't be read, what to know of them, spans, and what people said
    is no fault.
    """
    from watchman import replay as past
    from watchman.readings.sources.settings import DocumentSource

    try:
        store = _store(network)
    except OutsideError:
        # Files can be replayed without a store; what came over HTTP is nowhere else.
        if any(not isinstance(source, DocumentSource) or source.path is None for source in network.sources):
            raise
        return (*past.past_readings(network, None, end), (), ())
    with closing(store):
        return (*past.past_readings(network, store, end), store.spans(), past.said_no_fault(store, end))


def _not_read(rejected: Sequence[Rejected]) -> None:
    """Say which rows of the sources can't be read: the first few, and how many more."""
    for row in rejected[:SHOWN]:
        # An unlisted station is named in the reason already.
        shown = f": {row.row}" if row.row and not row.row.startswith("station ") else ""
        click.echo(f"{row.source}: not read: {row.reason}{shown}", err=True)
    if len(rejected) > SHOWN:
        click.echo(f"... and {len(rejected) - SHOWN} more.", err=True)


def _answer(loaded: Network, kind: str, number: int, who: str, **given: Any) -> None:
    who = _person(loaded, who)
    with closing(_store(loaded)) as store:
        alarm = store.alarm(number)
        if alarm is None or alarm.ended_at is not None:
            found = f"alarm {number} " + ("does not exist" if alarm is None else "is over")
            raise InputError([Mistake(kind, found, _standing(store))])
        store.add_answer(now(), kind, who, number, **given)
    click.echo(f"Noted: {kind} {number} ({alarm.key.rule}, {alarm.key.scope}). It counts from the next cycle on.")


def _standing(store: Store) -> str:
    numbers = ", ".join(str(one.number) for one in store.open_alarms() if one.number)
    return f"Standing now: {numbers or 'none'}."


def _person(network: Network, who: str, option: str = "--as") -> str:
    """Return who it is: a contact, or, where none is named, the host's own user."""
    names = [contact.name for contact in network.contacts]
    if who and who not in names:
        raise InputError([Mistake(option, f'"{who}" is no contact', f"Contacts are {', '.join(names)}.")])
    return who or os.environ.get("USER", "somebody")


def _station(network: Network, written: str) -> str:
    for station in network.stations:
        if written.lower() in (station.id.lower(), station.name.lower(), station.short_name.lower()):
            return station.id
    from watchman.mistakes import nearest_word

    known = [station.id for station in network.stations]
    raise InputError([Mistake("STATION", f'"{written}" is no station', nearest_word(written, known, "station"))])


def _time(written: str, option: str, network: Network) -> datetime:
    try:
        moment = datetime.fromisoformat(written)
    except ValueError:
        allowed = "It must be a day or a time, in the network's zone where it has no offset."
        raise InputError([Mistake(option, f'"{written}" is no time', allowed, "2025-10-20T06:00:00Z")]) from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=network.zone)).astimezone(UTC)


def _end_of_day(written: str, network: Network) -> datetime:
    """Return a moment as written, a day alone as its end."""
    moment = _time(written, "--at", network)
    try:
        day = date.fromisoformat(written)
    except ValueError:
        return moment
    return _time((day + timedelta(days=1)).isoformat(), "--at", network)


def _local(moment: datetime | str, network: Network) -> str:
    if isinstance(moment, str):
        moment = datetime.fromisoformat(moment)
    return moment.astimezone(network.zone).strftime("%Y-%m-%d %H:%M")


def _number(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _log(level: int) -> None:
    """Log to the standard error output: our own words from a level on, the libraries' only when they are in trouble."""
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(message)s", stream=sys.stderr)
    logging.getLogger("watchman").setLevel(level)
    # Warnings of the one show addresses, which may hold secrets; the other says again what the daemon says itself.
    logging.getLogger("urllib3").setLevel(logging.ERROR)
    logging.getLogger("apscheduler").setLevel(logging.CRITICAL)
