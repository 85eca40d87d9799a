"""The command that brings official data into an area: what was asked for, what is new about the area, what is told."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import typer

from layers._errors import Finding, InputError
from layers.areachanges import NewArea
from layers.areafile import write_made
from layers.made import Made
from layers.model import Show
from layers.positions import parse_position
from layers.surveys import SurveyOptions
from layers.units import parse_quantity, parse_unit
from spotmap.bringing import KINDS, RuleWords, Said, bring
from spotmap.clock import day_of
from spotmap.progress import progress


@dataclass(frozen=True)
class Request:
    """What was asked for with `import`."""

    files: list[Path]
    into: Path
    refresh: bool
    kind: str | None
    datum: str
    values: str
    unit: str
    crs: str
    around: str | None
    radius: str
    cell: str | None
    reach: str | None
    ground: bool
    no_entry: bool
    first: str
    last: str
    species: str
    methods: str
    rule: str
    title: str
    source: str
    as_of: str | None
    closed: list[str] | None
    leave_out: list[str] | None
    accept: list[str] | None
    private: bool
    force: bool
    name: str | None
    timezone: str | None
    show: str


def bring_into(asked: Request) -> None:
    """Bring in what was asked for, and say what became of it.

    Raises
    ------
    InputError
        As `spotmap.bringing.bring` and `layers.areafile.write_made`; nothing was written.
    """
    said = _said(asked)
    there = (asked.into / "area.toml").exists()
    if asked.refresh and not there:
        raise InputError.one(str(asked.into), "holds no area.toml.", "Name the folder of an area.")
    with progress() as say, tempfile.TemporaryDirectory() as scratch:
        brought = bring(asked.files, said, asked.into, Path(scratch), say)
        if brought.previews:
            for text in brought.previews:
                typer.echo(text)
            typer.echo(
                "\nNothing is written yet. Look at what was understood, then give the command again with its code."
            )
            return
        say("writing the area")
        new = None if there else _new_area(asked, brought.made)
        changes = write_made(asked.into, brought.made, new=new, refresh=asked.refresh, force=asked.force)
    for line in changes.lines():
        typer.echo(line)
    for finding in brought.made.findings:
        typer.echo(f"look at: {finding}")
    where = asked.into
    typer.echo(f'\nWhat is in doubt: spotmap doubts {where}    depth lines: spotmap lines {where} "30 ft"')
    typer.echo("Not for navigation. Check the current regulation before you fish; the skipper decides.")


def _said(asked: Request) -> Said:
    if asked.kind is not None and asked.kind not in KINDS:
        raise InputError.one("--as", f"'{asked.kind}' is not known.", f"Write one of {', '.join(KINDS)}.")
    survey = SurveyOptions(
        values=asked.values,
        unit=asked.unit,
        datum=asked.datum,
        crs=asked.crs,
        around=None if asked.around is None else parse_position(asked.around, "--around"),
        radius_m=parse_quantity(asked.radius, "length", "--radius", minimum=1.0),
        cell_m=None if asked.cell is None else parse_quantity(asked.cell, "length", "--cell", minimum=0.1),
    )
    role: Literal["closure", "ground"] = "ground" if asked.ground else "closure"
    rules = RuleWords(
        role=role,
        first=asked.first,
        last=asked.last,
        as_of=day_of(asked.as_of, "--as-of"),
        source=asked.source,
        forbids="entry" if asked.no_entry else "fishing",
        species=asked.species,
        methods=asked.methods,
        reference=asked.rule,
        name=asked.title,
        closed=frozenset(asked.closed or ()),
        left_out=frozenset(asked.leave_out or ()),
        accepted=frozenset(asked.accept or ()),
    )
    return Said(asked.kind, survey, rules, asked.reach, asked.private)


def _new_area(asked: Request, made: Made) -> NewArea:
    findings: list[Finding] = []
    keys = [layer.keys for layer in made.layers if layer.role == "depth"]
    keys += [file.keys for file in made.files if file.role == "depth"]
    datums = sorted({str(key["datum"]) for key in keys if "datum" in key})
    datum = asked.datum or (datums[0] if len(datums) == 1 else "")
    if not datum:
        what = f"the depths are from {' and '.join(datums)}." if datums else "the data does not say what depth 0 is."
        findings.append(Finding("--datum", what, "Say it for a new area, as --datum MLLW."))
    if not asked.timezone:
        what = "is missing: a new area needs the clock that its rules and plans are told by."
        findings.append(Finding("--timezone", what, "Write an IANA name, as --timezone America/Los_Angeles."))
    words = asked.show.split()
    kinds: tuple[Literal["length", "speed"], ...] = ("length", "length", "speed")
    if len(words) != len(kinds):
        findings.append(Finding("--show", f"'{asked.show}' is not three units.", 'Write --show "ft NM kn".'))
    if findings:
        raise InputError(findings)
    depth, distance, speed = (parse_unit(word, kind, "--show") for word, kind in zip(words, kinds, strict=True))
    name = asked.name or " and ".join(origin.name for origin in made.origins[:3])
    return NewArea(name, asked.timezone or "", datum, Show(depth, distance, speed))
