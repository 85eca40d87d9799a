"""Whether official data may come into an area beside, or in the place of, what the area was made from."""

from __future__ import annotations

from collections import Counter

from layers._errors import Finding
from layers._files import sha256
from layers.made import Made, Origin
from layers.origins import OriginRecord, Origins


def twice(made: Made) -> list[Finding]:
    """Return an error for every name that two origins have: neither could be refreshed without the other."""
    counts = Counter(origin.name for origin in made.origins)
    remedy = "Give one of them, or give them different names: origins are told apart by theirs."
    return [
        Finding(name, f"{count} of the files given come in under this name.", remedy)
        for name, count in counts.items()
        if count > 1
    ]


def refused(before: Origins, made: Made, area: str, *, refresh: bool) -> list[Finding]:
    """Return what forbids these origins in this area."""
    found, fresh = [], [one for one in made.origins if before.named(one.name) is None]
    for one in made.origins:
        old, where = before.named(one.name), f"{area}, {one.name}"
        if old is None:
            continue
        if old.kind != one.kind:
            what = f"this {one.kind} has the name of a {old.kind} that is in the area."
            found.append(Finding(where, what, "Give it another name."))
        elif not refresh and not (fresh and _same(old, one)):
            found.append(
                Finding(where, f"is already in this area ({old.words}).", "To take it from newer files add --refresh.")
            )
        elif refresh and (why := _older(old, one)):
            found.append(Finding(where, f"{why}.", "Give the newest; nothing was changed."))
    return found


def _same(old: OriginRecord, one: Origin) -> bool:
    return sorted(file.sha256 for file in old.files) == sorted(map(sha256, one.files))


def _older(old: OriginRecord, one: Origin) -> str:
    """Return in what an origin is older than the one of its name in the area; empty where it is not."""
    was, now = _number(old.edition), _number(one.edition)
    if was is not None and now is not None and now < was:
        return f"is edition {one.edition}, older than the area's edition {old.edition}"
    was, now = _number(old.update), _number(one.update)
    if old.edition == one.edition and was is not None and now is not None and now < was:
        return f"is at update {one.update}, older than the area's update {old.update}"
    for word, then, day in (("was issued on", old.issued, one.issued), ("is true as of", old.as_of, one.as_of)):
        if then and day and day < then:
            return f"{word} {day}, before the area's ({then})"
    return ""


def _number(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() else None


def torn(before: Origins, made: Made, area: str) -> list[Finding]:
    """Return an error for every file that was made from these origins and others that are not made again."""
    names = {one.name for one in made.origins}
    remedy = "Refresh all of them together."
    return [
        Finding(f"{area}/{one.file}", f"was made from {', '.join(sorted(set(one.origins) - names))} too.", remedy)
        for one in before.made
        if names & set(one.origins) and not names >= set(one.origins)
    ]
