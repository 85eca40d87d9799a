from __future__ import annotations

import subprocess
import sys
import time
from datetime import UTC, datetime

import numpy as np
import pytest
from pyTMD.constituents import arguments
from utide._ut_constants import constit_index_dict
from utide.astronomy import ut_astron
from utide.harmonics import FUV

from layers._errors import Finding, InputError
from layers.harmonics import MORE, STANDARD, Harmonics, _nodal, _speeds, constituent, read_harmonics
from layers.tables import Table

APRIL = datetime(2015, 4, 7, tzinfo=UTC).timestamp()
YEAR = datetime(2026, 1, 1, tzinfo=UTC).timestamp() + 3600.0 * np.arange(8760)
HEIGHTS_M = {
    "M2": 1.07, "S2": 0.26, "N2": 0.21, "K1": 0.83, "M4": 0.025, "O1": 0.46, "M6": 0.012, "MK3": 0.014, "S4": 0.004,
    "MN4": 0.010, "NU2": 0.041, "S6": 0.002, "MU2": 0.022, "2N2": 0.027, "OO1": 0.023, "LAM2": 0.011, "S1": 0.012,
    "M1": 0.026, "J1": 0.040, "MM": 0.014, "SSA": 0.020, "SA": 0.068, "MSF": 0.009, "MF": 0.017, "RHO": 0.015,
    "Q1": 0.074, "T2": 0.015, "R2": 0.004, "2Q1": 0.009, "P1": 0.256, "2SM2": 0.005, "M3": 0.009, "L2": 0.037,
    "2MK3": 0.012, "K2": 0.071, "M8": 0.003, "MS4": 0.012,
}  # fmt: skip
"""Invented, of the size that a deep inlet with a mixed tide has."""
LAGS_DEG = {name: 37.0 * place % 360.0 for place, name in enumerate(STANDARD)}


def all_of_them() -> Harmonics:
    return Harmonics(STANDARD, [HEIGHTS_M[name] for name in STANDARD], [LAGS_DEG[name] for name in STANDARD], 2.0)


def swing_by_utide(name: str, time_s: np.ndarray) -> np.ndarray:
    """Return f exp(i(V + u)) by the other library, for 45° N, its traps put right."""
    days = time_s / 86400.0 + 719163.0
    tau, s, h, *_ = ut_astron(days)[0]
    if name == "SA":  # V = h in the tables, h − p₁ in utide
        return np.exp(2j * np.pi * h)
    if name == "S1":  # 15° an hour from noon in the tables; utide has the solar perigee in it
        return np.exp(2j * np.pi * (tau + s - h + 0.5))
    if name == "2MK3":  # utide has none
        return swing_by_utide("M2", time_s) ** 2 * np.conj(swing_by_utide("K1", time_s))
    own = {"LAM2": "LDA2", "RHO": "RHO1", "M1": "NO1"}.get(name, name)
    place = np.array([constit_index_dict[own]])
    factor, turn, argument = FUV(days, days.mean(), place, 45.0, [0, 0, 0, 0])
    return (factor * np.exp(2j * np.pi * (turn + argument)))[:, 0]


def test_speeds() -> None:
    told = {
        "M2": 28.9841042, "S2": 30.0, "N2": 28.4397295, "K1": 15.0410686, "O1": 13.9430356, "P1": 14.9589314,
        "K2": 30.0821373, "Q1": 13.3986609, "M4": 57.9682084,
    }  # fmt: skip
    # source: ADCIRC's tide_fac (check_values.md)
    assert np.degrees(_speeds(list(told))) * 3600 == pytest.approx(list(told.values()), abs=2e-7)
    # source: Schureman, Special Publication 98, table 2; from memory
    assert np.degrees(_speeds(["M1"])) * 3600 == pytest.approx([14.4966939], abs=2e-7)


def test_node_factors_and_arguments() -> None:
    told = {
        "M2": (1.03725, 289.96), "N2": (1.03725, 44.19), "K1": (0.88388, 106.70), "O1": (0.80958, 182.29),
        "P1": (1.0, 255.04), "K2": (0.75051, 33.05),
    }  # fmt: skip
    # source: tide_fac's output for 2015-04-07 00 UT, f of the middle of 10 days (check_values.md)
    day = int(APRIL // 86400)
    swing = _nodal(list(told), np.array([day, day + 5]))
    assert np.abs(swing[1]) == pytest.approx([f for f, _ in told.values()], abs=1.1e-3)
    off = np.degrees(np.angle(swing[0] * np.exp(-1j * np.radians([argument for _, argument in told.values()]))))
    assert off == pytest.approx(np.zeros(6), abs=0.1)


def test_one_line_alone() -> None:
    # source: check_values.md: M2 of 1 m, phase 0, on 2015-04-07
    height = Harmonics(["M2"], [1.0], [0.0]).at(APRIL + np.array([0.0, 3 * 3600.0]))
    assert height == pytest.approx([0.3541, 0.9924], abs=0.002)


def test_a_year_of_the_standard_constituents_by_two_libraries() -> None:
    """utide against pyTMD, hourly over 2026, 37 constituents, range 5.52 m: rms 12.3 mm, worst 36.2 mm, 0.66 %.

    Why they differ: pyTMD is asked for Schureman's f and u, utide has the satellites of the tidal potential (Foreman
    1977) for a latitude. Most of it is M1, whose f is 1.4 times utide's on average in Schureman, so that a constant of
    26 mm is not the same one (rms 9.2 mm alone). Then MF, which utide leaves without a nodal correction (5.4 mm), OO1,
    J1 and 2N2 (3 mm each), Q1, O1 and P1 (1.7 mm each) and MM, left alone like MF (1.1 mm); M2, S2, N2, K1 and K2 are
    within 0.9 mm each at worst. SA, S1 and 2MK3 are put right for utide first, see `swing_by_utide`: SA alone would
    make up to 84 mm.
    """
    ours = all_of_them().at(YEAR)
    theirs = 2.0 + sum(
        HEIGHTS_M[name] * (swing_by_utide(name, YEAR) * np.exp(-1j * np.radians(LAGS_DEG[name]))).real
        for name in STANDARD
    )
    extent, off = float(np.ptp(ours)), ours - theirs
    print(f"range {extent:.3f} m, rms {1000 * off.std():.2f} mm, worst {1000 * np.abs(off).max():.2f} mm")  # noqa: T201
    assert 4.0 < extent < 7.0
    assert np.abs(off).max() <= 0.01 * extent
    assert np.sqrt((off**2).mean()) <= 0.003 * extent


@pytest.mark.parametrize("name", [name for name in STANDARD if name not in ("MM", "MF", "M1", "OO1", "R2")])
def test_each_constituent_means_the_same_to_both(name: str) -> None:
    """Over 19 years; what utide leaves uncorrected or counts from another potential is left out: see above."""
    days = np.arange(10957, 10957 + 6940, 13)
    off = _nodal([name], days)[:, 0] - swing_by_utide(name, days * 86400.0)
    assert np.sqrt((np.abs(off) ** 2).mean()) < 0.13


@pytest.mark.parametrize("name", MORE)
def test_the_others_mean_the_same_to_both(name: str) -> None:
    days = np.arange(10957, 10957 + 6940, 13)
    off = _nodal([name], days)[:, 0] - swing_by_utide(name, days * 86400.0)
    assert np.abs(off).max() < 0.03


def test_m1_turns_evenly_and_as_the_other_library_has_it() -> None:
    days = np.arange(10957, 10957 + 6940)
    ours = _nodal(["M1"], days)[:, 0]
    daily = ours[1:] * np.conj(ours[:-1]) * np.exp(-1j * 86400.0 * _speeds(["M1"]))
    assert np.degrees(np.abs(np.angle(daily))).max() < 0.2
    theirs = swing_by_utide("M1", days * 86400.0)
    assert np.degrees(np.angle(np.vdot(theirs, ours))) == pytest.approx(0.0, abs=1.0)


def test_sa_is_the_longitude_of_the_sun() -> None:
    # source: Meeus, Astronomical Algorithms, mean longitude of the sun; from memory
    century = (APRIL / 86400.0 - 10957.5) / 36525.0
    sun = np.radians(280.46645 + 36000.76983 * century)
    assert Harmonics(["SA"], [1.0], [10.0]).at(np.array([APRIL])) == pytest.approx(
        [np.cos(sun - np.radians(10.0))], abs=1e-4
    )


def test_cubics_between_nodes_are_the_sum_itself() -> None:
    names = [name for name in (*STANDARD, "M12") if name not in ("M1", "M3")]
    made = Harmonics(names, np.ones(len(names)), np.zeros(len(names)))
    moments = APRIL + np.random.default_rng(5).uniform(0.0, 40 * 86400.0, 500)
    mine = made.at(moments)
    library = [{"LAM2": "lambda2", "RHO": "rho1"}.get(name, name.lower()) for name in names]
    turn, factor, argument = arguments(
        moments / 86400.0 + 40587.0, library, corrections="FES", M1="Schureman", climate_solar_perigee=True
    )
    exact = (factor * np.cos(np.radians(argument) + turn)).sum(axis=1)
    assert mine == pytest.approx(exact, abs=2e-4)


def test_shapes_and_moments_that_are_none() -> None:
    made = Harmonics(["M2"], [1.0], [0.0], 0.5)
    assert made.at(np.full((2, 3), APRIL)).shape == (2, 3)
    assert made.at(np.array(APRIL)).shape == ()
    assert np.isnan(made.at(np.array([np.nan, APRIL, np.inf]))).tolist() == [True, False, True]
    assert made.at(np.array([])).shape == (0,)


def test_it_never_falls_below_the_least() -> None:
    made = all_of_them()
    chance = np.random.default_rng(6)
    for start in APRIL + chance.uniform(0.0, 3e7, 40):
        end = start + chance.uniform(0.0, 1e5)
        lowest = made.at(np.linspace(start, end, 5001)).min()
        assert lowest - 0.001 < made.least(start, end) <= lowest
    assert made.least(APRIL, APRIL) == pytest.approx(made.at(np.array([APRIL]))[0])


def test_thousands_of_moments_take_no_time() -> None:
    moments = APRIL + np.linspace(0.0, 2 * 86400.0, 5000)
    taken = []
    for _ in range(5):
        made = all_of_them()
        since = time.perf_counter()
        made.at(moments)
        taken.append(time.perf_counter() - since)
    assert min(taken) < 0.02


def test_the_library_is_not_loaded_for_an_area_without() -> None:
    code = "import sys, layers.area; print([m for m in ('pyTMD', 'xarray', 'utide') if m in sys.modules])"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"


def test_names() -> None:
    assert len(set(STANDARD)) == 37
    assert [constituent(name, "x") for name in ("m2", " Lambda2", "RHO1", "2mk3")] == ["M2", "LAM2", "RHO", "2MK3"]
    with pytest.raises(InputError, match=r"^tide: 'M22' is not .* Did you mean M2 or "):
        constituent("M22", "tide")
    with pytest.raises(InputError, match="7 is not a constituent"):
        constituent(7, "tide")
    with pytest.raises(InputError, match="comes twice"):
        Harmonics(["RHO", "rho1"], [1.0, 1.0], [0.0, 0.0])


def test_constants_of_a_file() -> None:
    found: list[Finding] = []
    rows = [
        {"name": "m2", "amplitude": "100 in", "phase": 213.4},
        {"name": "K1", "amplitude": "1 m", "phase": "-10 deg"},
    ]
    made = read_harmonics(Table({"mean": "1 m", "constituent": rows}, "t", found), "length", offset=0.5)
    assert made is not None
    assert found == []
    same = Harmonics(["M2", "K1"], [2.54, 1.0], [213.4, 350.0], 1.5)
    assert made.at(YEAR[:50]) == pytest.approx(same.at(YEAR[:50]))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"name": "MM2"}, r"constituent 1, key 'name': 'MM2' is not a constituent"),
        ({"name": None}, r"constituent 1, key 'name': is missing"),
        ({"amplitude": "1 kn"}, r"key 'amplitude': .* quantity of speed"),
        ({"amplitude": "-1 m"}, r"key 'amplitude': .* too small"),
        ({"amplitude": None}, r"key 'amplitude': is missing"),
        ({"phase": None}, r"key 'phase': is missing"),
        ({"phase": 361}, r"key 'phase': 361 is more than a turn"),
        ({"phase": float("nan")}, r"key 'phase': nan is more than a turn"),
        ({"phase": True}, r"key 'phase': True is not a quantity"),
        ({"phase": "1 m"}, r"key 'phase': .* quantity of length"),
        ({"fase": 1}, r"key 'fase': is not a key .* Did you mean 'phase'"),
        ({"name": "K1"}, r"constituent 2, key 'name': K1 comes twice"),
    ],
)
def test_constants_that_are_wrong(change: dict[str, object], told: str) -> None:
    found: list[Finding] = []
    row = {"name": "M2", "amplitude": "1 m", "phase": 0} | change
    rows = [
        {key: value for key, value in row.items() if value is not None},
        {"name": "K1"} | {"amplitude": "1 m", "phase": 1},
    ]
    read_harmonics(Table({"mean": "1 m", "constituent": rows}, "t", found), "length")
    with pytest.raises(InputError, match=told):
        raise InputError(found)


def test_without_mean_or_constituents() -> None:
    found: list[Finding] = []
    assert read_harmonics(Table({}, "t", found), "length") is None
    assert [one.where for one in found] == ["t, key 'mean'", "t, key 'constituent'"]
