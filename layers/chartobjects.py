"""What charted objects are to a plan: which class is a hazard, a lane, a caution or a named place, and its words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from layers.chartthings import Flags, Numbers, Things


@dataclass(frozen=True)
class HazardClass:
    """A class of things to keep off.

    `keep_off_m` is None for what stands on the shore: the trip's shore standoff holds. `category` is the attribute
    that tells its kinds apart, `kinds` their words.
    """

    noun: str
    keep_off_m: float | None
    category: str = ""
    kinds: Mapping[str, str] | None = None


_WRECKS = {
    "1": "not dangerous",
    "2": "dangerous",
    "3": "distributed remains",
    "4": "mast showing",
    "5": "hull or superstructure showing",
}
_OBSTRUCTIONS = {
    "1": "snag or stump",
    "2": "wellhead",
    "3": "diffuser",
    "4": "crib",
    "5": "fish haven",
    "6": "foul area",
    "7": "foul ground",
    "8": "ice boom",
    "9": "ground tackle",
    "10": "boom",
}
_SHORE = {
    "1": "breakwater",
    "2": "groyne",
    "3": "mole",
    "4": "pier",
    "5": "promenade pier",
    "6": "wharf",
    "7": "training wall",
    "8": "rip rap",
    "9": "revetment",
    "10": "sea wall",
    "11": "landing steps",
    "12": "ramp",
    "13": "slipway",
    "14": "fender",
    "15": "solid face wharf",
    "16": "open face wharf",
}
_MOORINGS = {
    "1": "dolphin",
    "2": "deviation dolphin",
    "3": "bollard",
    "4": "tie-up wall",
    "5": "post or pile",
    "6": "chain, wire or cable",
    "7": "mooring buoy",
}
_PYLONS = {"1": "power", "2": "telephone", "3": "aerial cableway", "4": "bridge tower", "5": "bridge pier"}
_FISHING = {"1": "fishing stake", "2": "fish trap", "3": "fish weir", "4": "tunny net"}
_WEED = {"1": "kelp", "2": "sea weed", "3": "sea grass", "4": "sargasso"}
_WATER_LEVEL = {
    "1": "partly under water at high water",
    "2": "always dry",
    "3": "always under water",
    "4": "covers and uncovers",
    "5": "awash",
    "6": "floods at times",
    "7": "floating",
}
# source of the codes: IHO S-57 attribute catalogue; keep-out distances: common practice, no source
HAZARDS: Mapping[str, HazardClass] = {
    "WRECKS": HazardClass("wreck", 50.0, "CATWRK", _WRECKS),
    "UWTROC": HazardClass("rock", 50.0),
    "OBSTRN": HazardClass("obstruction", 50.0, "CATOBS", _OBSTRUCTIONS),
    "PILPNT": HazardClass("pile", 25.0, "CATPLE", {"1": "stake", "3": "post", "4": "tripodal"}),
    "PYLONS": HazardClass("pylon", 25.0, "CATPYL", _PYLONS),
    "MORFAC": HazardClass("mooring", 30.0, "CATMOR", _MOORINGS),
    "OFSPLF": HazardClass("platform", 100.0),
    "FSHFAC": HazardClass("fishing gear", 50.0, "CATFIF", _FISHING),
    "MARCUL": HazardClass("marine farm", 50.0),
    "WEDKLP": HazardClass("weed", 20.0, "CATWED", _WEED),
    "OILBAR": HazardClass("oil barrier", 30.0),
    "LOGPON": HazardClass("log pond", 30.0),
    "LITFLT": HazardClass("light float", 50.0),
    "LITVES": HazardClass("light vessel", 50.0),
    "RAPIDS": HazardClass("rapids", 50.0),
    "WATFAL": HazardClass("waterfall", 50.0),
    **{f"BOY{kind}": HazardClass("buoy", 30.0) for kind in ("CAR", "INB", "ISD", "LAT", "SAW", "SPP")},
    **{f"BCN{kind}": HazardClass("beacon", 20.0) for kind in ("CAR", "ISD", "LAT", "SAW", "SPP")},
    "SLCONS": HazardClass("shoreline structure", None, "CATSLC", _SHORE),
    "PONTON": HazardClass("pontoon", None),
    "HULKES": HazardClass("hulk", None),
    "FLODOC": HazardClass("floating dock", None),
    "DRYDOC": HazardClass("dry dock", None),
    "DAMCON": HazardClass("dam", None),
    "DYKCON": HazardClass("dyke", None),
    "CAUSWY": HazardClass("causeway", None),
    "GATCON": HazardClass("gate", None),
    "GRIDRN": HazardClass("gridiron", None),
    "FORSTC": HazardClass("fortified structure", None),
    "FNCLNE": HazardClass("fence or wall", None),
    # what no table knows may be anything: the reader gives all of it under this name
    "Generic": HazardClass("object of a class that is not known here", 50.0),
}
# Recommended tracks bind nobody and traffic is not confined to them: they are cautions.
LANES: Mapping[str, str] = {
    "FAIRWY": "fairway",
    "TSSLPT": "traffic lane",
    "TSELNE": "traffic separation line",
    "TSEZNE": "traffic separation zone",
    "TSSCRS": "traffic scheme crossing",
    "TSSRON": "traffic scheme roundabout",
    "TWRTPT": "two-way route",
    "DWRTPT": "deep water route",
    "DWRTCL": "deep water route",
    "FERYRT": "ferry route",
}
# A bridge leaves the water under it open: its piers are charted as pylons, and whether a mast passes is the skipper's.
CAUTIONS: Mapping[str, str] = {
    "CTNARE": "caution area",
    "RESARE": "restricted area",
    "ACHARE": "anchorage",
    "ACHBRT": "anchor berth",
    "MIPARE": "military practice area",
    "OSPARE": "offshore production area",
    "SPLARE": "seaplane landing area",
    "SUBTLN": "submarine transit lane",
    "ISTZNE": "inshore traffic zone",
    "PRCARE": "precautionary area",
    "RECTRC": "recommended track",
    "RCRTCL": "recommended route",
    "RCTLPT": "recommended traffic lane",
    "ARCSLN": "archipelagic sea lane",
    "PILBOP": "pilot boarding place",
    "CTSARE": "cargo transhipment area",
    "DMPGRD": "dumping ground",
    "ICNARE": "incineration area",
    "CBLARE": "cable area",
    "CBLSUB": "submarine cable",
    "PIPARE": "pipeline area",
    "PIPSOL": "pipeline",
    "MARCUL": "marine farm",
    "SNDWAV": "sand waves",
    "WATTUR": "water turbulence",
    "ICEARE": "ice area",
    "BRIDGE": "bridge overhead",
    "CBLOHD": "cable overhead",
    "PIPOHD": "pipeline overhead",
    "CONVYR": "conveyor overhead",
    "NEWOBJ": "new kind of object",
}
PLACES: Mapping[str, str] = {
    "HRBFAC": "harbor",
    "SMCFAC": "harbor",
    "LNDRGN": "place",
    "SEAARE": "place",
    "LNDMRK": "place",
}
READ_OTHERWISE = frozenset(
    {"DSID", "DEPARE", "DRGARE", "UNSARE", "DEPCNT", "SOUNDG", "LNDARE", "M_COVR", "M_QUAL", "M_SDAT"}
)
"""Classes that become depth, land, coverage and quality."""
LANE_LINE_M = 50.0
"""Half the width of a lane drawn as a line (common practice, no source)."""
SHOAL_KEEP_OFF_M = 50.0
"""Kept off a sounding that is shallower than the depth area it lies in (common practice, no source)."""

_UNSURE = ("2", "3", "4", "8", "9")
"""QUASOU: depth unknown, doubtful, unreliable, reported and not surveyed or not confirmed."""


def noun_of(acronym: str) -> str:
    """Return what a class is called, its acronym where it has no role."""
    hazard = HAZARDS.get(acronym)
    return CAUTIONS.get(acronym) or LANES.get(acronym) or (hazard.noun if hazard else acronym)


def named(things: Things, noun: str) -> list[str]:
    """Return the names of things, what they are where they have none."""
    return [name or noun for name in things.text("OBJNAM")]


def unsure(things: Things) -> Flags:
    """Return which of things state a depth of which QUASOU says that it cannot be relied on."""
    return things.says("QUASOU", *_UNSURE)


def hazard_kinds(things: Things, *, other_datum: Flags) -> list[str]:
    """Return what hazards are, in words: ``"wreck, dangerous, always under water, 4.5 m over it"``.

    Parameters
    ----------
    things
        Objects of one class of `HAZARDS`.
    other_datum
        Which of them lie where depths are counted from another datum.
    """
    what = HAZARDS[things.acronym]
    kinds = [", ".join((what.kinds or {}).get(code, "") for code in codes) for codes in things.codes(what.category)]
    levels = [", ".join(_WATER_LEVEL.get(code, "") for code in codes) for codes in things.codes("WATLEV")]
    depths = [
        _depth_words(depth, unsure=doubt, other_datum=other)
        for depth, doubt, other in zip(things.metres("VALSOU"), unsure(things), other_datum, strict=True)
    ]
    return [
        ", ".join(part for part in (what.noun, *parts) if part) for parts in zip(kinds, levels, depths, strict=True)
    ]


def hazard_depth_m(things: Things, *, other_datum: Flags) -> Numbers:
    """Return the charted least depth over hazards in metres, NaN where it is not known for sure."""
    return np.where(unsure(things) | other_datum, np.nan, things.metres("VALSOU"))


def notes(things: Things, restrictions: list[str]) -> list[str]:
    """Return what a caution says: its restrictions in words, its clearance, and its own text."""
    overhead = [f"clearance {clear} m" if clear else "" for clear in things.text("VERCLR")]
    closed = [f"clearance {clear} m when closed" if clear else "" for clear in things.text("VERCCL")]
    kinds = things.text("CLSDEF")
    texts = [text.rstrip(". ") for text in things.text("INFORM")]
    files = [f"see {name}" if name else "" for name in things.text("TXTDSC")]
    return [
        "; ".join(part for part in parts if part)
        for parts in zip(restrictions, overhead, closed, kinds, texts, files, strict=True)
    ]


def _depth_words(depth_m: float, *, unsure: bool, other_datum: bool) -> str:
    if np.isnan(depth_m):
        return ""
    words = f"dries {-depth_m:g} m" if depth_m < 0 else f"{depth_m:g} m over it"
    return f"{words}{' from another datum' if other_datum else ''}{', doubtful' if unsure else ''}"
