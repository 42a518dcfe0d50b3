"""A bench file becomes a bench; every mistake in it is answered at its place."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import skrf

from hilkit.bench import BenchFile, PathError, load_bench
from hilkit.errors import FileProblems
from hilkit.files import Lab, schema
from tests.bench.trial import GOOD, PAD, bench_of, changed

DATA = Path(skrf.__file__).parent / "data"
CABLE = "{kind: cable, loss: {1 GHz: 0.6 dB, 3 GHz: 1.1 dB}, law: sqrt_f, node_out: analyser input}"


def test_a_bench_file_becomes_a_bench(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    assert bench.name == "trial bench"
    assert bench.simulation is None
    assert bench.instrument_names == ("analyser", "pad", "relay")
    assert bench.channels == (1, 2)
    assert bench.ratings == {"pad input": 27.0, "analyser input": 20.0}
    assert bench.margin_db == 3.0
    assert bench.reference == "external"
    assert bench.text == GOOD
    assert [spec.name for spec in bench.of_class("step_attenuator")] == ["pad"]
    assert bench.of_class("radio")[0].serial == "PH2-000417"


def test_the_radio_knows_its_carriers(tmp_path: Path) -> None:
    radio = bench_of(tmp_path).radio
    assert radio.max_level_dbm == 43.0
    assert radio.bandwidth_hz == 40e6
    assert radio.carrier_allowed(1842.5e6)
    assert radio.carrier_allowed(2400e6)
    assert not radio.carrier_allowed(2000e6)
    assert radio.bands_text == "1.805 GHz to 1.88 GHz or 2.3 GHz to 2.4 GHz"


def test_a_path_has_the_losses_of_the_file(tmp_path: Path) -> None:
    path = bench_of(tmp_path).path(1)
    assert path.nodes == ("radio tx1 port", "relay tx1 in", "pad input", "analyser input")
    assert path.loss_to("relay tx1 in", 2.1e9) == pytest.approx(20.5)
    assert path.loss_to("pad input", 2.1e9) == pytest.approx(20.9)
    assert path.coverage_hz == (1.7e9, 2.5e9)
    # 0.6 dB at 1 GHz and 1.1 dB at 3 GHz, linear over the root of frequency: at 2.25 GHz the root is 1.5.
    cable = path.loss_db(2.25e9) - path.loss_to("pad input", 2.25e9) - (2.0 + 0.4 * 0.55 / 0.8)
    assert cable == pytest.approx(0.6 + 0.5 * (1.5 - 1) / (3**0.5 - 1))


def test_a_channel_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PathError, match="no channel 3") as caught:
        bench_of(tmp_path).path(3)
    assert caught.value.next_step == "channels are 1, 2"


def test_a_bench_is_found_by_name(tmp_path: Path) -> None:
    (tmp_path / "benches").mkdir()
    (tmp_path / "benches" / "harbour.yaml").write_text(GOOD, encoding="utf-8")
    assert load_bench("harbour", Lab(tmp_path)).name == "trial bench"


def test_ends_without_a_name_get_one(tmp_path: Path) -> None:
    text = changed(
        ("    - {node: radio tx1 port}\n", ""), (CABLE, CABLE.replace(", node_out: analyser input", ""))
    )
    assert bench_of(tmp_path, text).path(1).nodes == (
        "tx1 port",
        "relay tx1 in",
        "pad input",
        "analyser input",
    )


def test_a_gain_is_a_negative_loss(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, changed((CABLE, "{kind: amplifier, gain: {1 GHz: 20 dB, 3 GHz: 18 dB}}")))
    path = bench.path(1)
    assert path.loss_db(2e9) - path.loss_to("pad input", 2e9) == pytest.approx(2.15 - 19.0)


def test_one_frequency_holds_where_the_file_says_so(tmp_path: Path) -> None:
    cable = "{kind: cable, loss: {1 GHz: 0.6 dB}, law: sqrt_f, valid: {from: 1 GHz, to: 2.4 GHz}}"
    path = bench_of(tmp_path, changed((CABLE, cable))).path(1)
    assert path.coverage_hz == (1.7e9, 2.4e9)
    assert path.loss_db(2.25e9) - path.loss_to("pad input", 2.25e9) == pytest.approx(2.275 + 0.9)


def test_a_touchstone_file_beside_the_bench_file_is_an_element(tmp_path: Path) -> None:
    shutil.copy(DATA / "ntwk1.s2p", tmp_path / "cable.s2p")
    path = bench_of(tmp_path, changed((CABLE, "{kind: touchstone, file: cable.s2p}"))).path(1)
    network = skrf.Network(str(DATA / "ntwk1.s2p"))["2GHz"]
    assert path.loss_db(2e9) - path.loss_to("pad input", 2e9) - 2.15 == pytest.approx(-network.s_db[0, 1, 0])


def test_the_schema_names_what_a_bench_file_needs() -> None:
    described = schema(BenchFile)
    assert set(described["required"]) == {"bench", "instruments", "radio", "paths"}


BAD: list[tuple[str, str, str, list[str]]] = [
    # what is wrong, text in the good file, what stands there instead, texts that the message has
    (
        "unknown key",
        "max_level: 43 dBm",
        "max_leval: 43 dBm",
        ["trial.yaml:11:3", "max_leval", "did you mean max_level?"],
    ),
    ("missing key", "bandwidth: 40 MHz\n", "\n", ["bandwidth"]),
    ("wrong unit", "max_level: 43 dBm", "max_level: 43 MHz", ["trial.yaml:11:14", "a level"]),
    (
        "unknown driver",
        "driver: step_attenuator",
        "driver: step_attenuater",
        ["trial.yaml:4:17", "did you mean step_attenuator?"],
    ),
    ("resource without port", "127.0.0.1::5026::SOCKET", "127.0.0.1::SOCKET", ["trial.yaml:4:44", "port"]),
    (
        "resource taken for another",
        "127.0.0.1::5026::SOCKET",
        "127.0.0.1::5026",
        ["trial.yaml:4:44", "SOCKET"],
    ),
    (
        "same resource twice",
        "127.0.0.1::5027",
        "127.0.0.1::5026",
        ["trial.yaml:5:", "'pad' already has this resource"],
    ),
    (
        "radio among the instruments",
        "{driver: switch_matrix,",
        "{driver: radio_head,",
        ["describe it under the key `radio`", "1 mistake found"],
    ),
    (
        "not a radio",
        "driver: radio_head",
        "driver: switch_matrix",
        ["trial.yaml:7:11", "the driver of a switch matrix, not of a radio"],
    ),
    (
        "second analyser",
        "  relay: {driver: switch_matrix",
        "  relay: {driver: signal_analyser",
        ["a second analyser besides 'analyser'"],
    ),
    ("reference of a pad", "model: PA-60", "reference: internal", ["only an analyser has `reference`"]),
    (
        "bad date",
        "calibration_due: 2027-03-01",
        "calibration_due: 2027-13-01",
        ["trial.yaml:3:", "2027-13-01"],
    ),
    (
        "no control line",
        '  resource: "TCPIP0::127.0.0.1::5030::SOCKET"\n',
        "",
        ["the radio needs `resource` or `command`"],
    ),
    (
        "both control lines",
        "  serial: PH2",
        "  command: [python, radio.py]\n  serial: PH2",
        ["the radio has both `resource` and `command`", "delete one of both"],
    ),
    ("channel is no number", "{1: tx1,", "{one: tx1,", ["a channel is a whole number"]),
    ("channel without path", "2: tx2}", "2: tx3}", ["channel 2 has no path", "did you mean tx"]),
    ("path of two channels", "2: tx2}", "2: tx1}", ["path tx1 already belongs to another channel"]),
    ("path without channel", "{1: tx1, 2: tx2}", "{1: tx1}", ["path tx2 belongs to no channel"]),
    ("band upside down", "{from: 1805 MHz, to: 1880 MHz}", "{from: 1880 MHz, to: 1805 MHz}", ["is no range"]),
    ("path is empty", "  tx2:\n", "  tx3: []\n  tx2:\n", ["path tx3 has no element"]),
    ("kind unknown", "{kind: cable,", "{kind: cabel,", ["cabel", "cable"]),
    ("kind missing", "{kind: cable,", "{", ["an element needs `kind`"]),
    (
        "key of another kind",
        "{kind: cable,",
        "{kind: cable, close: [101],",
        ["`close` does not go with kind cable"],
    ),
    (
        "no loss",
        PAD.replace("step", "step"),
        "{kind: pad, node_in: pad input}",
        ["kind pad needs `loss` or `gain`"],
    ),
    (
        "loss and gain",
        PAD,
        "{kind: pad, loss: 3 dB, gain: 3 dB, node_in: pad input}",
        ["this pad has both `loss` and `gain`", "delete one of both"],
    ),
    ("loss of a wall", "loss: 0.4 dB", "loss: 30000 dB", ["no element has a loss of 30000 dB"]),
    ("margin in dBc", "ratings:", "margin: 6 dBc\nratings:", ["a margin is in dB", "write 6 dB"]),
    (
        "two paths through one switch position",
        "close: [102]",
        "close: [101]",
        ["path tx1 closes the same switch channels", "[101]"],
    ),
    (
        "band beyond the driver",
        "to: 2400 MHz",
        "to: 2200 THz",
        ["the driver radio_head does not tune over", "1.805 GHz to 2.4 GHz"],
    ),
    ("bandwidth below zero", "bandwidth: 40 MHz", "bandwidth: 4000 MHz", ["reaches below 0 Hz"]),
    (
        "node with more",
        "{node: radio tx1 port}",
        "{node: radio tx1 port, loss: 1 dB}",
        ["`loss` does not go with a node"],
    ),
    (
        "instrument unknown",
        PAD,
        PAD.replace("instrument: pad", "instrument: pda"),
        ["no instrument 'pda'", "allowed: pad"],
    ),
    (
        "instrument of another class",
        PAD,
        PAD.replace("instrument: pad", "instrument: relay"),
        ["'relay' is a switch matrix", "needs a step attenuator"],
    ),
    ("switch without positions", "close: [101], ", "", ["kind switch needs `close`"]),
    ("switch with an empty list", "close: [101]", "close: []", ["channels to close are needed"]),
    (
        "two step attenuators",
        CABLE,
        PAD.replace(", node_in: pad input", ""),
        ["has 2 step attenuators", "kind: pad"],
    ),
    ("node twice", CABLE, CABLE.replace("analyser input", "pad input"), ["'pad input' is already a node"]),
    (
        "no common frequency",
        CABLE,
        "{kind: cable, loss: {3 GHz: 1 dB, 4 GHz: 2 dB}}",
        ["no frequency in common", "3 GHz"],
    ),
    ("loss is negative", "loss: 0.4 dB", "loss: -0.4 dB", ["a loss is not negative", "`gain`"]),
    ("loss is a number", "loss: 0.4 dB", "loss: 0.4", ["a ratio such as 0.6 dB"]),
    ("loss in a table is a number", "1 GHz: 0.6 dB", "1 GHz: 0.6", ["needs its unit", "0.6"]),
    ("loss in another unit", "loss: 0.4 dB", "loss: 0.4 dBm", ["a ratio is needed here"]),
    ("loss against a carrier", "loss: 0.4 dB", "loss: 0.4 dBc", ["a loss is in dB"]),
    ("frequency in another unit", "{1 GHz: 0.6 dB", "{1 GHZ: 0.6 dB", ["GHz"]),
    ("frequency twice", "{1 GHz: 0.6 dB", "{3000 MHz: 0.6 dB", ["is in this table already"]),
    (
        "one frequency",
        "{1 GHz: 0.6 dB, 3 GHz: 1.1 dB}",
        "{1 GHz: 0.6 dB}",
        ["nothing is extrapolated", "valid: {from: ..., to: ...}"],
    ),
    ("law without a table", "loss: 0.4 dB", "loss: 0.4 dB, law: sqrt_f", ["`law` goes with a table"]),
    (
        "range beside its point",
        CABLE,
        "{kind: cable, loss: {1 GHz: 0.6 dB}, law: sqrt_f, valid: {from: 2 GHz, to: 3 GHz}}",
        ["the range has to hold 1 GHz"],
    ),
    (
        "uncertainty is negative",
        "uncertainty: 0.2 dB",
        "uncertainty: -0.2 dB",
        ["an uncertainty is not negative"],
    ),
    (
        "rating of no node",
        "ratings: {pad input:",
        "ratings: {pad inptu:",
        ["no path has a node 'pad inptu'", "did you mean pad input?"],
    ),
    (
        "peak rating without papr",
        "ratings: {pad input: 27 dBm,",
        "ratings: {pad input: {average: 27 dBm, peak: 33 dBm},",
        ["how far the peaks of the radio reach above its average", "add papr under radio"],
    ),
    (
        "peak below average",
        "ratings: {pad input: 27 dBm,",
        "ratings: {pad input: {average: 27 dBm, peak: 26 dBm},",
        ["a peak of 26 dBm lies below the average of 27 dBm", "27 dBm or more"],
    ),
    ("margin is negative", "ratings:", "margin: -1 dB\nratings:", ["a margin is not negative"]),
    ("simulation unknown", "instruments:", "simulation: no_such_profile\ninstruments:", ["no_such_profile"]),
    ("touchstone missing", CABLE, "{kind: touchstone, file: no.s2p}", ["there is no file", "no.s2p"]),
    ("touchstone outside", CABLE, "{kind: touchstone, file: ../../no.s2p}", ["leads out of the lab folder"]),
    (
        "touchstone unreadable",
        CABLE,
        "{kind: touchstone, file: broken.s2p}",
        ["cannot be read as Touchstone"],
    ),
    (
        "touchstone of one port",
        CABLE,
        "{kind: touchstone, file: one.s1p}",
        ["this network has 1 port, S21 is not in it"],
    ),
    (
        "touchstone port",
        CABLE,
        "{kind: touchstone, file: two.s2p, ports: [3, 1]}",
        ["this network has 2 ports, S31 is not in it"],
    ),
    (
        "touchstone ports alike",
        CABLE,
        "{kind: touchstone, file: two.s2p, ports: [1, 1]}",
        ["two different ports"],
    ),
    (
        "touchstone with gain",
        CABLE,
        "{kind: touchstone, file: gain.s2p}",
        ["20.00 dB of gain", "active: true"],
    ),
]


@pytest.fixture
def networks(tmp_path: Path) -> Path:
    shutil.copy(DATA / "ring slot measured.s1p", tmp_path / "one.s1p")
    shutil.copy(DATA / "ntwk1.s2p", tmp_path / "two.s2p")
    (tmp_path / "broken.s2p").write_text("# GHz S MA R 50\nthis is no number\n", encoding="utf-8")
    gain = "# GHz S MA R 50\n1 0.1 0 10 0 0.01 0 0.1 0\n3 0.1 0 10 0 0.01 0 0.1 0\n"
    (tmp_path / "gain.s2p").write_text(gain, encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(("old", "new", "texts"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_a_mistake_is_answered_at_its_place(networks: Path, old: str, new: str, texts: list[str]) -> None:
    with pytest.raises(FileProblems) as caught:
        bench_of(networks, changed((old, new)))
    message = str(caught.value)
    for text in ("trial.yaml:", "^", *texts):
        assert text in message, f"{text!r} is missing in:\n{message}"


def test_all_mistakes_come_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = changed(
        ("5026::SOCKET", "SOCKET"),
        ("2: tx2}", "2: tx9}"),
        ("loss: 0.4 dB", "loss: -0.4 dB"),
        ("ratings:", "margin: -1 dB\nratings:"),
    )
    with pytest.raises(FileProblems) as caught:
        bench_of(tmp_path, text)
    lines = [problem.line for problem in caught.value.problems]
    assert lines == [4, 10, 20, 29]


def test_a_touchstone_amplifier_is_taken_when_the_file_says_so(networks: Path) -> None:
    path = bench_of(networks, changed((CABLE, "{kind: touchstone, file: gain.s2p, active: true}"))).path(1)
    assert path.loss_db(2e9) - path.loss_to("pad input", 2e9) == pytest.approx(2.15 - 20.0)


def test_two_paths_may_share_a_switch_position_on_purpose(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, changed(("close: [102]", "close: [101], shared: true")))
    assert [path.name for path in bench.paths.values()] == ["tx1", "tx2"]


def test_a_mistake_in_one_part_does_not_hide_those_of_the_others(tmp_path: Path) -> None:
    text = changed(
        ("max_level: 43 dBm", "max_level: 43 dB"),
        ("resource: TCPIP0::127.0.0.1::5025::SOCKET", "resource: TCPIP0::127.0.0.1::5025"),
        ("ratings: {pad input:", "simulation: nosuch\nratings: {pad inlet:"),
    )
    with pytest.raises(FileProblems) as caught:
        bench_of(tmp_path, text)
    assert [problem.line for problem in caught.value.problems] == [3, 11, 29, 30]
    entry = changed(("driver: step_attenuator,", "drive: step_attenuator,"), ("close: [102]", "close: []"))
    with pytest.raises(FileProblems) as caught:
        bench_of(tmp_path, entry)
    told = [problem.message for problem in caught.value.problems]
    assert told == ["the key 'drive' is not known here", "the switch channels to close are needed, each once"]
