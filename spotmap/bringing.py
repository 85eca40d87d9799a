"""Official data in: what each given file is, and all of it made into what an area's folder takes."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import chain
from pathlib import Path
from typing import Literal, get_args

from layers._errors import Finding, InputError
from layers.chartarea import chart_made
from layers.charts import CellFiles, find_cells, read_cell
from layers.made import Made
from layers.markfiles import Marks, looks_like_marks, marks_made, read_marks
from layers.origins import read_origins
from layers.regulationmade import RegulationTerms, preview, regulation_made
from layers.regulations import acceptance_code, looks_like_regulation, read_regulation, regulation_text
from layers.surveys import SurveyOptions, looks_like_survey, survey_made
from layers.watermade import looks_like_water, water_made

Kind = Literal["chart", "survey", "water", "rules", "marks"]
KINDS: tuple[Kind, ...] = get_args(Kind)
_CELL = re.compile(r"\.\d{3}", re.ASCII)
_MARKS = (".gpx", ".kml", ".kmz")
_HARDLY_TEXT = b"\0"
_LOOKED_AT = 65_536


@dataclass(frozen=True)
class RuleWords:
    """What a person says of regulations: see `layers.regulationmade.RegulationTerms`; None where nothing was said."""

    role: Literal["closure", "ground"] = "closure"
    first: str = ""
    last: str = ""
    as_of: date | None = None
    source: str = ""
    forbids: Literal["fishing", "entry"] = "fishing"
    species: str = ""
    methods: str = ""
    reference: str = ""
    name: str = ""
    closed: frozenset[str] = frozenset()
    left_out: frozenset[str] = frozenset()
    accepted: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Said:
    """What a person says with the files; `kind` settles what cannot be told from their content."""

    kind: Kind | None = None
    survey: SurveyOptions = field(default_factory=SurveyOptions)
    rules: RuleWords = field(default_factory=RuleWords)
    reach: str | None = None
    private: bool = False


@dataclass(frozen=True)
class Brought:
    """What was made of the files; `previews` are of regulations that nobody accepted: nothing is made of these."""

    made: Made
    previews: tuple[str, ...] = ()


def bring(files: Sequence[Path], said: Said, folder: Path, scratch: Path, say: Callable[[str], None]) -> Brought:
    """Return what official data makes for an area.

    Parameters
    ----------
    files
        Chart cells, folders or zips of them, surveys, water levels and currents, regulations, marks.
    said
        What a person says with them.
    folder
        The area's folder, there or not: the chart cells that it keeps are read again with the new ones, for all of
        them together say which is the larger scale where.
    scratch
        A folder for what is unpacked or converted.
    say
        Takes words of progress.

    Returns
    -------
    Brought
        All of it together.

    Raises
    ------
    InputError
        A file is not there, is of no kind that is known or of more than one, or cannot be read.
    """
    kinds = _kinds(files, said.kind)
    found: list[Made] = []
    previews: list[str] = []
    charts = [file for file, kind in kinds if kind == "chart"]
    if charts:
        say("reading charts")
        found.append(_charts(charts, folder, scratch))
    for file, kind in kinds:
        if kind == "chart":
            continue
        say(f"reading {file.name}")
        if kind == "survey":
            found.append(survey_made(file, scratch, options=said.survey))
        elif kind == "water":
            found.append(water_made(file, reach=said.reach))
        elif kind == "marks":
            source = said.rules.source or f"marks from {file.name}"
            found.append(marks_made(_marks(file), as_of=said.rules.as_of, source=source, private=said.private))
        else:
            regulation = read_regulation(regulation_text(file), file.name)
            if acceptance_code(regulation) in said.rules.accepted:
                found.append(regulation_made(regulation, _terms(file, said.rules)))
            else:
                previews.append(preview(regulation))
    return Brought(_said_of(together(found), said.rules), tuple(previews))


def together(found: Sequence[Made]) -> Made:
    """Return several things made as one."""
    return Made(
        origins=tuple(chain.from_iterable(made.origins for made in found)),
        layers=tuple(chain.from_iterable(made.layers for made in found)),
        files=tuple(chain.from_iterable(made.files for made in found)),
        decisions=tuple(chain.from_iterable(made.decisions for made in found)),
        findings=tuple(chain.from_iterable(made.findings for made in found)),
    )


def _said_of(made: Made, words: RuleWords) -> Made:
    """Return what was made with what a person says of its source and day, charts excepted: these say it themselves."""
    origins = tuple(
        one if one.kind == "chart" else replace(one, source=words.source or one.source, as_of=words.as_of or one.as_of)
        for one in made.origins
    )
    return replace(made, origins=origins)


def _kinds(files: Sequence[Path], kind: Kind | None) -> list[tuple[Path, Kind]]:
    findings: list[Finding] = []
    found: list[tuple[Path, Kind]] = []
    for file in files:
        looks = [kind] if kind is not None and file.exists() else list(_looks_like(file)) if file.exists() else []
        if len(looks) == 1:
            found.append((file, looks[0]))
        elif not file.exists():
            findings.append(Finding(str(file), "there is no such file.", "Check the path."))
        elif looks:
            what = f"could be {' or '.join(looks)}."
            findings.append(Finding(file.name, what, f"Say which: --as {looks[0]}."))
        else:
            what = "is nothing that is known here: no chart cell, survey, water level, current, regulation or marks."
            remedy = "Check that it is whole; if it is one of them, say so: --as " + ", --as ".join(KINDS) + "."
            findings.append(Finding(file.name, what, remedy))
    if findings:
        raise InputError(findings)
    return found


def _looks_like(file: Path) -> Iterator[Kind]:
    if file.is_dir() or file.suffix.casefold() == ".zip" or _CELL.fullmatch(file.suffix):
        yield "chart"
        return
    if looks_like_water(file):
        yield "water"
        return
    if file.suffix.casefold() in _MARKS:
        yield "marks"
        return
    if looks_like_survey(file):
        # a list of positions with depths is no list of marks, and no regulation
        yield "survey"
    elif _is_text(file):
        if looks_like_marks(file):
            yield "marks"
        if looks_like_regulation(regulation_text(file)):
            yield "rules"


def _is_text(file: Path) -> bool:
    with file.open("rb") as stream:
        return _HARDLY_TEXT not in stream.read(_LOOKED_AT)


def _charts(paths: Sequence[Path], folder: Path, scratch: Path) -> Made:
    """Return what chart cells make, with those that the area keeps and that are not among them."""
    new = find_cells(paths, scratch)
    names = {cell.name for cell in new}
    kept = [cell for cell in _kept_cells(folder, scratch) if cell.name not in names]
    return chart_made([read_cell(cell) for cell in (*new, *kept)])


def _kept_cells(folder: Path, scratch: Path) -> tuple[CellFiles, ...]:
    if not (folder / "area.toml").exists():
        return ()
    kept = [one for one in read_origins(folder).origins if one.kind == "chart"]
    paths = [folder / file.file for one in kept for file in one.files if file.kept]
    homes = sorted({path.parent for path in paths})
    missing = [path for path in paths if not path.exists()]
    if missing:
        remedy = "Fetch the cell again and name it too: all charts of an area are read together."
        raise InputError([Finding(str(path), "is gone: the area was made from it.", remedy) for path in missing])
    return find_cells(homes, scratch) if homes else ()


def _marks(file: Path) -> Marks:
    marks = read_marks(file, file.name)
    if marks.unread:
        raise InputError(
            [
                Finding(
                    f"{file.name}, line {line.number}", f"not understood: {line.text}", "Mend the line or delete it."
                )
                for line in marks.unread
            ]
        )
    return marks


def _terms(file: Path, words: RuleWords) -> RegulationTerms:
    missing = {
        "--from": words.first,
        "--until": words.last,
        "--as-of": words.as_of,
        "--source": words.source,
    }
    examples = {
        "--from": "--from 05-01 (each year) or --from 2026-05-01; all year: --from 01-01 --until 12-31",
        "--until": "--until 09-30",
        "--as-of": "--as-of 2026-06-01, the day on which the text was in force",
        "--source": '--source "who publishes it"',
    }
    findings = [
        Finding(f"{file.name}, {option}", "is missing: a regulation needs it.", f"Write {examples[option]}.")
        for option, said in missing.items()
        if not said
    ]
    if findings or words.as_of is None:
        raise InputError(findings)
    return RegulationTerms(
        role=words.role,
        first=words.first,
        last=words.last,
        as_of=words.as_of,
        source=words.source,
        file=file,
        forbids=words.forbids,
        species=words.species,
        methods=words.methods,
        reference=words.reference,
        name=words.name,
        closed=words.closed,
        left_out=words.left_out,
    )
