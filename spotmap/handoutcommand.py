"""The command that makes the handout, whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Literal, cast
from uuid import uuid4

import typer

from layers._errors import InputError
from layers.area import open_area
from layers.units import parse_quantity
from spotmap.comparison import compare
from spotmap.handoutwords import read_handout_words
from spotmap.planner import make_plan
from spotmap.progress import progress
from spotmap.trip import area_folder, read_trip

_EDITIONS = ("client", "crew")
_PAPERS = ("Letter", "A4")
_PDF = b"%PDF-"
_OURS = b"not for navigation"


def handout(
    trip: Annotated[Path, typer.Argument(help="The trip file.")],
    out: Annotated[Path, typer.Option("--out", help="The PDF to write; made whole or not at all.")],
    edition: Annotated[str, typer.Option("--edition", help="Whom it is for: client or crew.")] = "client",
    paper: Annotated[str, typer.Option("--paper", help="Letter or A4.")] = "Letter",
    setback: Annotated[
        list[str] | None,
        typer.Option("--setback", help='For the crew: also plan with this setback, as "25 ft"; give several.'),
    ] = None,
) -> None:
    """Make the handout of a trip as PDF: chart sheets at true scale, and the pages for clients or for the crew."""
    from spotmap.handout import Edition, handout_pdf  # noqa: PLC0415  no other command needs the drawing library

    edition, paper = _one_of(edition, _EDITIONS, "--edition"), _one_of(paper, _PAPERS, "--paper")
    tried = [parse_quantity(text, "length", "--setback", minimum=0.0) for text in setback or ()]
    if tried and edition == "client":
        raise InputError.one("--setback", "is for the crew's edition.", "Add --edition crew, or leave it out.")
    with progress() as say:
        say("reading the area")
        area = open_area(area_folder(trip))
        read = read_trip(trip, area)
        words = read_handout_words(trip, area)
        plan = make_plan(area, read, say)
        compared = [figures for figures, _ in compare(area, read, tried, say)] if tried else []
        say("drawing the handout")
        content = handout_pdf(
            plan,
            edition=cast(Edition, edition),
            paper=cast(Literal["Letter", "A4"], paper),
            words=words,
            compared=compared,
        )
        say("writing")
        _write_whole(out, content)
    typer.echo(f"{out}: the {edition}'s handout on {paper}, {len(content) / 1e6:.1f} MB. Not for navigation.")
    typer.echo("Print it at 100 %, not fitted to the page, or the scale is wrong.")


def _one_of(value: str, allowed: tuple[str, ...], where: str) -> str:
    for one in allowed:
        if value.strip().casefold() == one.casefold():
            return one
    raise InputError.one(where, f"'{value}' is not one of {', '.join(allowed)}.", "Write one of those.")


def _write_whole(file: Path, content: bytes) -> None:
    """Write a file whole or not at all; only an earlier handout is ever replaced.

    Raises
    ------
    InputError
        When the file is something else, or cannot be written.
    """
    target = file.resolve()
    part = target.with_name(f".{target.name}-{uuid4().hex}.part")
    try:
        if target.exists() and not _is_handout(target):
            raise InputError.one(
                str(file), "There is something here that is not a handout.", "Choose another name with --out."
            )
        with part.open("xb") as opened:
            opened.write(content)
            opened.flush()
            os.fsync(opened.fileno())
        part.replace(target)
    except OSError as error:
        raise InputError.one(
            str(file),
            f"The handout cannot be written here: {error.strerror or type(error).__name__}.",
            "Choose with --out a file in a folder that exists and that you may write in.",
        ) from error
    finally:
        part.unlink(missing_ok=True)


def _is_handout(file: Path) -> bool:
    """Return whether a file is a PDF that says in its metadata that it is a plan."""
    if not file.is_file():
        return False
    content = file.read_bytes()
    return content.startswith(_PDF) and (_OURS in content or _OURS.decode().encode("utf-16-be") in content)
