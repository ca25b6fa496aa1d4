"""foldtrue record: keep what was measured, of which piece, when and by whose hands."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from foldtrue.cli.parts import FILE
from foldtrue.errors import UnreadableFile, UsageError

if TYPE_CHECKING:
    from foldtrue.handover_record import RecordFilter
    from foldtrue.record.store import Record

STAGES = ("sheet", "grid", "ring", "piece")
Command = Callable[..., Any]


def day(_: click.Context, __: click.Parameter, value: datetime | None) -> date | None:
    return None if value is None else value.date()


DAY = click.DateTime(["%Y-%m-%d"])
record_option = click.option(
    "--record", "record_file", type=FILE, metavar="FILE", help="The record; see docs/record.md for its usual place."
)


def filter_options(command: Command) -> Command:
    """The options that choose inspections."""
    options = (
        click.option("--piece", help="Only this piece."),
        click.option("--plan", "plan_name", metavar="NAME", help="Only pieces after the plan of this name."),
        click.option("--stage", type=click.Choice(STAGES), help="Only this stage."),
        click.option("--paper", help="Only this paper."),
        click.option("--tag", help="Only with this tag."),
        click.option("--folder", metavar="ALIAS", help="Only what this person folded."),
        click.option("--since", type=DAY, callback=day, metavar="DAY", help="Only from this day on, YYYY-MM-DD."),
        click.option("--until", type=DAY, callback=day, metavar="DAY", help="Only up to this day, YYYY-MM-DD."),
    )
    for option in reversed(options):
        command = option(command)
    return command


def chosen_by(options: dict[str, Any]) -> RecordFilter:
    """Takes the values of `filter_options` out of a command's options."""
    from foldtrue.handover_record import RecordFilter

    names = ("piece", "stage", "paper", "tag", "folder", "since", "until")
    return RecordFilter(plan=options.pop("plan_name"), **{name: options.pop(name) for name in names})


def open_record(path: Path | None, *, create: bool = False) -> Record:
    from foldtrue.record.connection import default_place
    from foldtrue.record.store import Record

    return Record(path or default_place(), create=create)


@click.group()
def record() -> None:
    """Keep what was measured: pieces, plans, results, notes, and who folded them.

    The record is one file on this machine: record.db in the folder that FOLDTRUE_HOME names, else in
    ~/.local/share/foldtrue. An alias is personal data: use one that says nothing to strangers; forget deletes it.
    """


@record.command()
@click.argument("source", type=FILE, metavar="RESULT")
@click.option("--piece", required=True, help="The piece's name: the same for all stages and photos of one piece.")
@click.option("--photo", "photos", type=FILE, multiple=True, help="The photo that was measured, for a thumbnail.")
@click.option("--plan", "plan_file", type=FILE, help="The plan file, to keep it with the result.")
@click.option("--stage", type=click.Choice(STAGES), help="Where it is not what such a result usually is; ring, say.")
@click.option("--paper", help="The paper it is folded of.")
@click.option("--tag", "tags", multiple=True, help="A word to find it by; may be given several times.")
@click.option("--note", help="Anything worth remembering.")
@click.option("--folder", metavar="ALIAS", help="Who folded it: an alias. Personal data; see docs/record.md.")
@click.option("--date", "done_on", type=DAY, callback=day, metavar="DAY", help="Day it was folded, YYYY-MM-DD; today.")
@click.option("--again", is_flag=True, help="Record it although its photo is recorded already.")
@record_option
def add(
    source: Path, photos: tuple[Path, ...], plan_file: Path | None, again: bool, record_file: Path | None, **said: Any
) -> None:
    """Record RESULT: a result.json, grid.json or sheet.json, or the folder it was written to."""
    from foldtrue.record.entries import read_result
    from foldtrue.recording import entry_of

    said["tags"] = tuple(said["tags"])
    entry = entry_of(read_result(source), said.pop("piece"), photos=photos, plan_file=plan_file, **said)
    with open_record(record_file, create=True) as kept:
        number = kept.add(entry, again=again)
    click.echo(f"Recorded as number {number}: {entry.stage} {entry.piece!r}, {entry.done_on}.")
    for photo in entry.photos:
        if photo.thumbnail is None:
            click.echo(f"  {photo.name}: no thumbnail. {photo.no_thumbnail}")


@record.command("list")
@filter_options
@record_option
def list_(record_file: Path | None, **options: Any) -> None:
    """List what is recorded, the oldest first."""
    from foldtrue.record.tables import list_text

    with open_record(record_file) as kept:
        click.echo(list_text(kept.find(chosen_by(options))))


@record.command()
@click.argument("number", type=int)
@click.option("--out", type=FILE, help="Folder for the result file and the thumbnails, as they were recorded.")
@record_option
def show(number: int, out: Path | None, record_file: Path | None) -> None:
    """Show all that is recorded under NUMBER."""
    from foldtrue.record.tables import entry_files, entry_text
    from foldtrue.report.files import write_whole

    with open_record(record_file) as kept:
        entry = kept.entry(number)
    click.echo(entry_text(number, entry))
    if out is not None:
        files = entry_files(entry)
        for name in files:
            if (out / name).exists():
                raise UsageError(f"{out / name} is there already.", "Choose another folder with --out.")
        for name, content in files.items():
            write_whole(out / name, content)


@record.command()
@click.argument("one", type=int, metavar="NUMBER")
@click.argument("other", type=int, metavar="NUMBER")
@record_option
def compare(one: int, other: int, record_file: Path | None) -> None:
    """Hold two recorded pieces side by side, each against its own plan: which figures differ by more than both
    uncertainties together."""
    from foldtrue.pairing import pair_pieces, pair_text

    with open_record(record_file) as kept:
        results = kept.entry(one).result, kept.entry(other).result
        rows = {row.number: row for row in kept.find()}
    click.echo(pair_text(pair_pieces((rows[one], rows[other]), results)))


@record.command()
@click.argument("target", type=FILE, metavar="FILE")
@filter_options
@record_option
def export(target: Path, record_file: Path | None, **options: Any) -> None:
    """Write a copy: everything to FILE.json, or the figures to FILE.csv for a spreadsheet."""
    from foldtrue.record.exchange import export_csv, export_json
    from foldtrue.report.files import write_whole

    ending = target.suffix.lower()
    if ending not in (".json", ".csv"):
        raise click.UsageError("The file's name must end in .json (everything) or .csv (the figures).")
    with open_record(record_file) as kept:
        chosen = chosen_by(options)
        text = export_json(kept, chosen) if ending == ".json" else export_csv(kept.find(chosen))
    write_whole(target, text.encode())


@record.command("import")
@click.argument("copy", type=FILE, metavar="FILE.json")
@record_option
def import_(copy: Path, record_file: Path | None) -> None:
    """Take over what export wrote to FILE.json: all of it or, where something in it is wrong, nothing.

    What is recorded already is left as it is.
    """
    from foldtrue.record.exchange import import_entries, read_copy

    entries = read_copy(copy)
    with open_record(record_file, create=True) as kept:
        new, known = import_entries(kept, entries)
    click.echo(f"{new} recorded, {known} were there already.")


@record.command()
@record_option
def check(record_file: Path | None) -> None:
    """Check the record: the file, its references, every result and picture in it."""
    from foldtrue.record.care import find_damage

    with open_record(record_file) as kept:
        problems = find_damage(kept.engine, kept.path)
        for problem in problems:
            click.echo(problem)
        if problems:
            raise UnreadableFile(f"The record {kept.path} is damaged.", "Restore a backup, or import an export.")
        click.echo(f"{kept.path}: {len(kept.find())} inspections, all well.")


@record.command()
@click.argument("target", type=FILE, metavar="FILE")
@record_option
def backup(target: Path, record_file: Path | None) -> None:
    """Copy the record to FILE, whole, also while another program uses it; --record FILE opens the copy."""
    from foldtrue.record.care import back_up

    with open_record(record_file) as kept:
        back_up(kept.path, target)


@record.command()
@click.argument("alias")
@click.option("--yes", is_flag=True, help="Do not ask.")
@record_option
def forget(alias: str, yes: bool, record_file: Path | None) -> None:
    """Delete all that ALIAS folded: pieces, results, notes, thumbnails, and the alias. There is no way back.

    The file is written anew, so that nothing of it can be read there. Backups and exports are files of their own:
    delete them yourself.
    """
    with open_record(record_file) as kept:
        if not yes:
            click.confirm(f"Delete everything that {alias!r} folded from {kept.path}?", abort=True)
        count = kept.forget(alias)
    click.echo(f"{count} inspections of {alias!r} are deleted. Backups and exports are not: delete them yourself.")


@record.command()
@click.argument("number", type=int)
@record_option
def remove(number: int, record_file: Path | None) -> None:
    """Delete the inspection NUMBER, and its piece where nothing else is recorded of it."""
    with open_record(record_file) as kept:
        kept.remove(number)


@record.command("compact")
@record_option
def compact_(record_file: Path | None) -> None:
    """Write the file anew, so that nothing deleted can be read in it; remove and forget do so themselves."""
    from foldtrue.record.care import compact

    with open_record(record_file) as kept:
        compact(kept.engine, kept.path)
