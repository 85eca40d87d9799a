"""origins.toml as text."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import tomlkit

from layers.origins import AskedRecord, Origins

_HEAD = (
    "Written by the import: what official data each made file of this area came from. Do not edit it.",
    "A refresh compares the hashes with the files, so that nothing changed by hand is lost.",
)


def origins_text(origins: Origins) -> str:
    """Return what `layers.origins.read_origins` reads back the same; the same records give the same text."""
    doc = tomlkit.document()
    for line in _HEAD:
        doc.add(tomlkit.comment(line))
    doc.add(tomlkit.nl())
    tables: dict[str, list[dict[str, Any]]] = {
        "origin": [
            {
                "name": one.name,
                "kind": one.kind,
                "source": one.source,
                "edition": one.edition,
                "update": one.update,
                "issued": one.issued,
                "as_of": one.as_of,
                "scale": one.scale,
                "file": [{"file": file.file, "sha256": file.sha256, "kept": file.kept} for file in one.files],
            }
            for one in origins.origins
        ],
        "made": [
            {
                "file": one.file,
                "name": one.name,
                "role": one.role,
                "sha256": one.sha256,
                "from": list(one.origins),
                "features": one.features,
                "layer": one.layer,
            }
            for one in origins.made
        ],
        "asked": [{"feature": one.feature, "from": list(one.origins)} for one in origins.asked],
        "note": [
            {"where": one.where, "what": one.what, "remedy": one.remedy, "from": list(one.origins)}
            for one in origins.notes
        ],
    }
    for name, rows in tables.items():
        if rows:
            array = tomlkit.aot()
            for row in rows:
                array.append(_table(row))
            doc.append(name, array)
    return tomlkit.dumps(doc)


def asked_after(
    before: Sequence[AskedRecord], asks: Sequence[str], names: Collection[str], gone: Collection[str]
) -> tuple[AskedRecord, ...]:
    """Return what has been asked once the origins `names` ask `asks` and no more ask what is `gone`."""
    old = [one for one in before if one.feature not in gone and one.feature not in asks]
    return (*old, *(AskedRecord(feature, tuple(sorted(names))) for feature in dict.fromkeys(asks)))


def _table(row: Mapping[str, Any]) -> Any:
    table = tomlkit.table()
    for key, value in row.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            array = tomlkit.aot()
            for one in value:
                array.append(_table(one))
            table.append(key, array)
        elif isinstance(value, Mapping) and value:
            inline = tomlkit.inline_table()
            inline.update(value)
            table.append(key, inline)
        elif value not in (None, "", [], {}):
            table.append(key, value)
    return table
