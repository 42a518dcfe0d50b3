"""Limits by clause against the published rows of 3GPP TS 38.104, TS 36.104 and ITU-R SM.329."""

from __future__ import annotations

import pytest

from hilkit.judgement.mask import Mask
from hilkit.judgement.standards import (
    FROM_MEMORY,
    STANDARDS,
    Conditions,
    Published,
    Source,
    StandardMistake,
    emission_segments,
    published,
    spurious_segments,
)
from hilkit.readings import ReadingSpec

NR = "ts_38_104"
LTE = "ts_36_104"


def spec(name: str, unit: str, index_name: str = "", index_unit: str = "") -> ReadingSpec:
    return ReadingSpec(
        name=name,
        unit=unit,
        meaning="trial",
        series=bool(index_name),
        index_name=index_name,
        index_unit=index_unit,
    )


def ask(clause: str, name: str, unit: str, standard: str = NR, **given: object) -> Published:
    conditions = Conditions(**{"requirement": "minimum", **given})  # type: ignore[arg-type]
    return published(standard, clause, spec(name, unit), conditions)


# Clause, reading, unit, conditions; minimum and test requirement. TS 38.104 tables 6.5.2.2-1, 6.6.3.2-1, -2,
# 6.3.3.2-1, clauses 6.2.2, 6.4.1, 6.6.2; tolerances TS 38.141-1, Annex C (from memory but for EVM, dynamics).
WA = {"station": "wide_area"}
ROWS = [
    ("6.5.2", "evm", "%", {"modulation": "QPSK"}, (None, 17.5), (None, 18.5)),
    ("6.5.2", "evm", "%", {"modulation": "16QAM"}, (None, 12.5), (None, 13.5)),
    ("6.5.2", "evm", "%", {"modulation": "64QAM"}, (None, 8.0), (None, 9.0)),
    ("6.5.2", "evm", "%", {"modulation": "256QAM"}, (None, 3.5), (None, 4.5)),
    ("6.6.3", "aclr_lower", "dB", {"bandwidth": 20e6}, (45.0, None), (44.2, None)),
    ("6.6.3", "aclr_lower", "dB", {"bandwidth": 100e6}, (45.0, None), (43.8, None)),
    ("6.6.3", "leakage_lower", "dBm", {**WA, "category": "B"}, (None, -15.0), (None, -15.0)),
    ("6.6.3", "leakage_lower", "dBm", {"station": "local_area"}, (None, -32.0), (None, -32.0)),
    ("6.2.2", "channel_power", "dBm", {"rated": 38.0, "carrier": 1842.5e6}, (36.0, 40.0), (35.3, 40.7)),
    ("6.2.2", "channel_power", "dBm", {"rated": 38.0, "carrier": 3.5e9}, (36.0, 40.0), (35.0, 41.0)),
    ("6.4.1", "off_density", "dBm/Hz", {"carrier": 2350e6}, (None, -145.0), (None, -143.0)),
    ("6.5.1", "frequency_error", "Hz", {**WA, "carrier": 1842.5e6}, (-92.125, 92.125), (-104.125, 104.125)),
    ("6.5.1", "frequency_error", "Hz", {"station": "local_area", "carrier": 3.5e9}, (-350, 350), (-362, 362)),
    ("6.6.2", "occupied_bandwidth", "Hz", {"bandwidth": 20e6}, (None, 20e6), (None, 20e6)),
    (
        "6.3.3",
        "dynamic_range",
        "dB",
        {"bandwidth": 5e6, "subcarrier_spacing": 15e3},
        (13.9, None),
        (13.5, None),
    ),
    (
        "6.3.3",
        "dynamic_range",
        "dB",
        {"bandwidth": 100e6, "subcarrier_spacing": 30e3},
        (24.3, None),
        (23.9, None),
    ),
]


@pytest.mark.parametrize(("clause", "name", "unit", "given", "minimum", "test"), ROWS)
def test_minimum_and_test_requirement(clause, name, unit, given, minimum, test) -> None:  # type: ignore[no-untyped-def]
    for requirement, sides in (("minimum", minimum), ("test", test)):
        found = ask(clause, name, unit, requirement=requirement, **given)
        assert (found.low, found.high) == (
            pytest.approx(sides[0]) if sides[0] is not None else None,
            pytest.approx(sides[1]) if sides[1] is not None else None,
        )
        assert found.origin.startswith(f"{requirement} requirement: 3GPP TS 38.104 V")
        assert ("TS 38.141-1" in found.origin) == (requirement == "test")


def test_a_requirement_is_always_named() -> None:
    with pytest.raises(StandardMistake) as caught:
        ask("6.5.2", "evm", "%", requirement="", modulation="QPSK")
    assert caught.value.allowed == "minimum, test"


def test_what_was_not_read_in_the_document_says_so() -> None:
    assert not ask("6.5.2", "evm", "%", modulation="QPSK", requirement="test").from_memory
    assert not ask("6.6.3", "aclr_lower", "dB", bandwidth=20e6).from_memory
    relaxed = ask("6.6.3", "aclr_lower", "dB", bandwidth=20e6, requirement="test")
    assert relaxed.from_memory and relaxed.origin.endswith(FROM_MEMORY)
    assert ask("6.5.1", "frequency_error", "ppm", station="wide_area").from_memory
    assert str(Source(document="D", clause="1", from_memory=True)) == f"D, clause 1; {FROM_MEMORY}"


def test_the_margin_of_leakage_needs_only_the_less_stringent_limit() -> None:
    found = ask("6.6.3", "leakage_margin", "dB", bandwidth=20e6, station="wide_area", category="A")
    assert found.low == 0.0
    assert dict(found.settings) == {"relative_limit": "45 dB", "absolute_limit": "-13 dBm"}


def mask(**given: object) -> Mask:
    reading = spec("emission", "dBm", "offset", "Hz")
    conditions = Conditions(**{"requirement": "minimum", **given})  # type: ignore[arg-type]
    return Mask(points=published(NR, "6.6.4", reading, conditions).points, index_unit="Hz")


# TS 38.104 V16.6.0, Tables 6.6.4.2.1-2, 6.6.4.2.2.1-2, 6.6.4.2.3-1, 6.6.4.2.4-1: spot values.
SPOTS = [
    ({**WA, "category": "A", "band": "n3"}, {0.05: -7, 1.05: -8.4, 2.55: -10.5, 7: -14, 10.5: -13}),
    ({**WA, "category": "B", "band": "n78"}, {0.05: -7, 7: -14, 20: -15}),
    ({**WA, "category": "B", "band": "n28", "carrier": 780.5e6, "bandwidth": 10e6}, {9.9: -14, 10.05: -16}),
    ({"station": "medium_range", "rated": 38.0, "band": "n78"}, {0.05: -15, 2.55: -18.5, 7: -22, 11: -25}),
    ({"station": "medium_range", "rated": 34.0, "band": "n78"}, {0.05: -19, 2.55: -22.5, 7: -26, 11: -26}),
    ({"station": "local_area", "band": "n78"}, {0.05: -30, 2.55: -33.5, 7: -37, 11: -37}),
]


@pytest.mark.parametrize(("given", "spots"), SPOTS)
def test_the_mask_at_published_offsets(given: dict[str, object], spots: dict[float, float]) -> None:
    found = (
        mask(**{"carrier": None, "bandwidth": None, **given})
        if given.get("band") != "n3"
        else mask(carrier=1842.5e6, bandwidth=20e6, **given)
    )
    reach = max(point.at for point in found.points)
    for offset, level in spots.items():
        if offset * 1e6 <= reach:
            sides = found.sides(offset * 1e6)
            assert sides is not None and sides[1] == pytest.approx(level, abs=1e-6)


def test_the_mask_above_1_ghz_changes_its_measurement_bandwidth() -> None:
    given = Conditions(station="wide_area", category="A", band="n3", carrier=1842.5e6, bandwidth=20e6)
    segments, source = emission_segments(given)
    assert [row.bandwidth_hz for row in segments] == [100e3, 100e3, 1e6]
    assert segments[2].start_hz == 10.5e6 and source.table == "6.6.4.2.1-2"
    assert segments[2].stop_hz == 10e6 + 37.5e6 - 10e6


def test_a_test_tolerance_relaxes_the_mask_near_the_carrier_only() -> None:
    given = {**WA, "category": "A", "band": "n3", "carrier": 1842.5e6, "bandwidth": 20e6}
    relaxed = mask(requirement="test", **given)
    assert relaxed.sides(0.05e6) == (None, pytest.approx(-5.5))
    assert relaxed.sides(20e6) == (None, -13.0)


def test_spurious_ranges_have_their_reference_bandwidths() -> None:
    for category, levels in {"A": [-13] * 4, "B": [-36, -36, -36, -30]}.items():
        rows = spurious_segments(category)
        assert [row.start_dbm for row in rows] == levels
        assert [row.bandwidth_hz for row in rows] == [1e3, 1e4, 1e5, 1e6]
    found = published(
        NR,
        "6.6.5",
        spec("spurious", "dBm", "frequency", "Hz"),
        Conditions(requirement="test", category="B", band="n77"),
    )
    assert found.points[-1].at == 21e9


def test_category_a_of_itu_r_is_the_less_stringent_of_both() -> None:
    # 43 + 10 lg P is -13 dBm at any power up to 500 W; 70 dBc of 1 kW is -10 dBm.
    for rated, high in ((30.0, -13.0), (57.0, -13.0), (60.0, -10.0)):
        found = ask("4.2", "spurious", "dBm", "itu_r_sm_329", requirement="", category="A", rated=rated)
        assert found.high == high


# TS 36.104 V19.2.0, Tables 6.3.2.1-1, 6.5.2-1, 6.6.2.1-1, clauses 6.5.1, 6.4.2.
@pytest.mark.parametrize(
    ("clause", "name", "unit", "given", "low", "high"),
    [
        ("6.5.2", "evm", "%", {"modulation": "1024QAM"}, None, 2.5),
        ("6.6.2", "aclr_lower", "dB", {"bandwidth": 10e6}, 45.0, None),
        ("6.6.2", "leakage_lower", "dBm", {"station": "home"}, None, -50.0),
        ("6.3.2", "dynamic_range", "dB", {"bandwidth": 3e6}, 11.7, None),
        ("6.3.2", "dynamic_range", "dB", {"bandwidth": 15e6}, 18.7, None),
        ("6.5.1", "frequency_error", "ppm", {"station": "home"}, -0.25, 0.25),
        ("6.4.2", "transient", "s", {}, None, 17e-6),
    ],
)
def test_e_utra(clause, name, unit, given, low, high) -> None:  # type: ignore[no-untyped-def]
    found = ask(clause, name, unit, LTE, **given)
    assert (found.low, found.high) == (low, high)
    assert "TS 36.104 V19.2.0" in found.origin and not found.from_memory


@pytest.mark.parametrize(
    ("call", "key", "words"),
    [
        (lambda: ask("6.6.3", "evm", "%"), "clause", "limits something else"),
        (lambda: ask("6.6.33", "aclr_lower", "dB"), "clause", "did you mean 6.6.3?"),
        (lambda: ask("6.5.2", "evm", "%", modulation="1024QAM"), "modulation", "by hand"),
        (lambda: ask("6.5.2", "evm", "%", modulation="64-QAM"), "modulation", "did you mean 64QAM?"),
        (lambda: ask("6.6.3", "aclr_lower", "dB", bandwidth=22e6), "bandwidth", "20 MHz and 25 MHz"),
        (lambda: ask("6.6.3", "aclr_lower", "dB"), "bandwidth", "add bandwidth"),
        (
            lambda: ask("6.5.2", "evm", "%", LTE, modulation="QPSK", requirement="test"),
            "requirement",
            "E-UTRA",
        ),
        (lambda: ask("6.4.1", "off", "dBm/Hz", requirement="test", carrier=4.5e9), "carrier", "by hand"),
        (lambda: ask("6.5.2", "evm", "%", modulation="QPSK", band="n3", carrier=2.35e9), "band", "outside"),
        (lambda: mask(station="wide_area", category="A", band="n20"), "category", "n20"),
        (lambda: mask(station="wide_area", category="A", band="n4O"), "band", "did you mean n40"),
        (lambda: ask("6.6.5", "spurious", "dBm", category="A"), "clause", "no series"),
        (lambda: ask("1", "evm", "%", "ts_38_105"), "standard", "did you mean ts_38_104?"),
    ],
)
def test_what_the_standard_does_not_have_is_answered(call, key: str, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(StandardMistake) as caught:
        call()
    assert caught.value.key == key
    assert words in f"{caught.value.message} {caught.value.next_step}"


def test_every_clause_has_a_limit() -> None:
    assert all(rules for clauses in STANDARDS.values() for rules in clauses.values())
