"""Driver files: those that are shipped, and what is wrong with bad ones."""

from pathlib import Path

import jsonschema
import pytest
import yaml

from hilkit.errors import FileProblems
from hilkit.files import Lab, library, schema
from hilkit.instruments import DriverFile, class_names, find_class, load_dialect

SHIPPED = (
    "dc_supply",
    "dc_supply_listed",
    "noise_source",
    "power_meter",
    "radio_head",
    "signal_analyser",
    "signal_analyser_contrary",
    "signal_generator",
    "step_attenuator",
    "switch_matrix",
)

PAD = """\
driver: mine
instrument_class: step_attenuator
capabilities:
  attenuation:
    set: ":ATT {value}"
    ask: ":ATT?"
    range: [0 dB, 63 dB]
"""


def lab(tmp_path: Path, **files: str) -> Lab:
    folder = tmp_path / "drivers"
    folder.mkdir(parents=True)
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    return Lab(tmp_path)


def problems(tmp_path: Path, name: str = "mine", **files: str) -> str:
    with pytest.raises(FileProblems) as caught:
        load_dialect(name, lab(tmp_path, **files))
    return str(caught.value)


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_driver_is_sound_and_fits_the_schema_for_editors(name: str) -> None:
    dialect = load_dialect(name, Lab(None))
    assert dialect.name == name
    text = (library() / "drivers" / f"{name}.yaml").read_text(encoding="utf-8")
    jsonschema.validate(yaml.safe_load(text), schema(DriverFile))


def test_the_shipped_drivers_are_all_tested() -> None:
    assert Lab(None).names("driver") == sorted(SHIPPED)


def test_the_generic_analyser_can_do_everything_that_is_required_and_scpi_99_has() -> None:
    dialect = load_dialect("signal_analyser", Lab(None))
    table = find_class("signal_analyser").CAPABILITIES
    missing = {name for name in table if not dialect.has(name)}
    # SCPI-99 volume 2 has no query for these (fact from its command tables, from memory).
    assert missing == {"detector_auto", "trace_mode"}


def test_an_override_names_only_what_differs_and_the_rest_comes_from_its_base() -> None:
    base = load_dialect("signal_analyser", Lab(None))
    contrary = load_dialect("signal_analyser_contrary", Lab(None))
    assert contrary.capabilities["rbw"].set_text == base.capabilities["rbw"].set_text
    assert contrary.capabilities["rbw"].relative_tolerance == pytest.approx(2.4)
    assert contrary.capabilities["detector"].words["peak"] == "MAXPeak"
    assert not contrary.has("annotation")
    assert contrary.capabilities["reference_locked"].bit is None
    assert contrary.link.error_query == base.link.error_query
    assert contrary.link.completion == "operation_condition"
    assert contrary.order.index("reference_level") < contrary.order.index("attenuation")
    assert [path.name for path in contrary.files] == ["signal_analyser_contrary.yaml", "signal_analyser.yaml"]


def test_steps_of_a_decade_are_listed() -> None:
    limits = load_dialect("signal_analyser_contrary", Lab(None)).capabilities["rbw"].limits
    assert limits.members()[:4] == (10, 30, 100, 300)
    assert limits.members()[-1] == 3e6


def test_a_driver_in_another_unit_is_converted(tmp_path: Path) -> None:
    text = """\
driver: mine
base: signal_analyser
instrument_class: signal_analyser
capabilities:
  centre: {set: ":CF {value}MHZ", ask: ":CF?", unit: MHz}
"""
    centre = load_dialect("mine", lab(tmp_path, mine=text)).capabilities["centre"]
    assert centre.command(1842.5e6, instrument="a") == ":CF 1842.5MHZ"
    assert centre.read("1842.5", instrument="a") == pytest.approx(1842.5e6)


def test_an_unknown_capability_is_answered_with_its_place_and_a_near_one(tmp_path: Path) -> None:
    text = problems(tmp_path, mine=PAD.replace("attenuation:", "atenuation:"))
    assert "mine.yaml:4:3" in text
    assert "a step_attenuator has no capability of this name" in text
    assert "did you mean attenuation?" in text
    assert "attenuation is missing (attenuation)" in text


def test_all_mistakes_of_a_file_come_at_once(tmp_path: Path) -> None:
    text = problems(
        tmp_path,
        mine="""\
driver: mine
instrument_class: step_attenuator
trace: {query: ":TRAC?"}
capabilities:
  attenuation:
    set: ":ATT? {value} {channel}"
    ask: ":ATT"
    range: [63 dB, 0 dB]
    step: 1 dBm
    tolerance: lots
    unit: mdB
  reset: {set: "*RST", ask: "*RST?", unit: dB}
""",
    )
    for part in (
        "a step_attenuator has no trace",
        "a command has no '?'",
        "a query ends in '?'",
        "{channel} stands for nothing here",
        "the lowest value comes first",
        "mine.yaml:9:11",
        "mine.yaml:10:16",
        "attenuation is in dB",
        "reset can only be set",
        "reset is no number",
    ):
        assert part in text, part


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        (
            "instrument_class: step_attenuator",
            "instrument_class: step_atenuator",
            "did you mean step_attenuator?",
        ),
        (' {value}"', '"', "{value} is missing"),
        ('    ask: ":ATT?"\n', "", "attenuation needs ask:"),
        ('    set: ":ATT {value}"\n', "", "attenuation needs set:"),
        ("range: [0 dB, 63 dB]", "reply: '(?P<value>['", "this pattern is not valid"),
        ("range: [0 dB, 63 dB]", "reply: '.*'", "the group (?P<value>...) is missing"),
        ("range: [0 dB, 63 dB]", "range: [0 Hz, 63 dB]", "mine.yaml:7:13"),
        ("range: [0 dB, 63 dB]", "rnage: [0 dB, 63 dB]", "range"),
        ("driver: mine", "driver: mine\nidentity: '['", "this pattern is not valid"),
        ("driver: mine", "driver: mine\ncompletion: later", "operation_condition"),
        ("driver: mine", "driver: mine\ntimeout: 3", "a unit is missing"),
        ("driver: mine", "driver: mine\ntimeout: -3 s", "above 0 s"),
        ("driver: mine", "driver: mine\nsettling: -3 s", "from 0 s"),
        ("driver: mine", 'driver: mine\nerror_query: ":SYST:ERR"', "a query ends in '?'"),
        ("driver: mine", "driver: yours", "write driver: mine, or rename the file to yours.yaml"),
        ("range: [0 dB, 63 dB]", "range: [0 dB, 63 dB]\n    step: -2 dB", "a step is above zero"),
        ("range: [0 dB, 63 dB]", "range: [0 dB, 63 dB]\n    decade: [1, 30]", "below 10"),
        (' {value}"', ' {value}\\n*RST"', "a line end or control character in a command"),
    ],
)
def test_each_mistake_is_named(tmp_path: Path, before: str, after: str, says: str) -> None:
    assert before in PAD
    assert says in problems(tmp_path, mine=PAD.replace(before, after))


def test_a_capability_that_need_not_be_read_back_needs_no_ask(tmp_path: Path) -> None:
    text = PAD.replace('    ask: ":ATT?"\n', "    readback: false\n")
    assert not load_dialect("mine", lab(tmp_path, mine=text)).capabilities["attenuation"].verified


def test_words_that_the_class_does_not_know_are_named(tmp_path: Path) -> None:
    override = """\
driver: mine
base: signal_analyser
instrument_class: signal_analyser
order: [centre, span, centre, colour]
capabilities:
  detector: {words: {rms: RMS, peek: POS}}
  reset: null
  continuous: {words: {aus: "OFF"}}
  coupling: {words: null}
"""
    text = problems(tmp_path, mine=override)
    for part in (
        "did you mean peak?",
        "reset is missing (back to the settings of the factory)",
        "centre is here twice",
        "colour is not among the settings that have an order",
        "rbw, ",
        "are missing from the order",
        "continuous has no such word",
        "coupling needs words:",
    ):
        assert part in text, part


@pytest.mark.parametrize(
    ("capabilities", "says"),
    [
        (
            "detector: {words: {rms: RMS, sample: SAMP, peak: POS, negative: POS}}",
            "negative and peak are the same",
        ),
        ("points: {range: [101.5, 1001]}", "a whole number is needed here"),
    ],
)
def test_what_an_analyser_cannot_tell_apart_or_count_is_named(
    tmp_path: Path, capabilities: str, says: str
) -> None:
    head = "driver: mine\nbase: signal_analyser\ninstrument_class: signal_analyser\ncapabilities:\n"
    assert says in problems(tmp_path, mine=f"{head}  {capabilities}\n")
    ratio = head.replace("capabilities:", "noise_bandwidth_ratio: 1128")
    (tmp_path / "second").mkdir()
    assert "2 or less" in problems(tmp_path / "second", mine=ratio)


def test_a_mistake_in_one_key_of_a_driver_hides_none_in_another_and_brings_none_along(tmp_path: Path) -> None:
    text = (
        "driver: mine\nbase: signal_analyser\ninstrument_class: signal_analyser\ncompletion: opcc\n"
        "order: [centre]\ncapabilities:\n  rbww: {step: 1}\n  span: {rang: [1, 2]}\n"
    )
    with pytest.raises(FileProblems) as caught:
        load_dialect("mine", lab(tmp_path, mine=text))
    assert [problem.line for problem in caught.value.problems] == [4, 5, 7, 8]
    whole = text.replace("base: signal_analyser\n", "")
    with pytest.raises(FileProblems) as caught:
        load_dialect("mine", lab(tmp_path / "second", mine=whole))
    assert "span is missing" not in str(caught.value)


def test_a_class_other_than_that_of_the_base_is_one_mistake(tmp_path: Path) -> None:
    text = "driver: mine\nbase: signal_analyser\ninstrument_class: radio\n"
    with pytest.raises(FileProblems) as caught:
        load_dialect("mine", lab(tmp_path, mine=text))
    assert len(caught.value.problems) == 1


def test_an_analyser_needs_its_sections(tmp_path: Path) -> None:
    text = problems(tmp_path, mine="driver: mine\ninstrument_class: signal_analyser\n")
    for section in ("trace", "noise_bandwidth_ratio", "sweep_time", "order"):
        assert f"{section} is missing: a signal_analyser needs it" in text
    assert "centre is missing (centre frequency)" in text


def test_bases_must_not_go_round_in_a_circle_nor_change_their_class(tmp_path: Path) -> None:
    mine = "driver: mine\nbase: other\ninstrument_class: radio\n"
    other = mine.replace("mine", "x").replace("other", "mine").replace("x", "other", 1)
    assert "in a circle" in problems(tmp_path, mine=mine, other=other)
    (tmp_path / "second").mkdir()
    wrong = "driver: mine\nbase: step_attenuator\ninstrument_class: switch_matrix\n"
    assert "the base step_attenuator is a step_attenuator" in problems(tmp_path / "second", mine=wrong)


def test_a_base_that_does_not_exist_is_a_mistake_in_the_file_that_names_it(tmp_path: Path) -> None:
    text = problems(tmp_path, mine="driver: mine\nbase: signal_analiser\ninstrument_class: signal_analyser\n")
    assert "mine.yaml:2:7" in text
    assert "signal_analyser" in text


def test_the_instrument_classes_are_known_by_name() -> None:
    assert class_names() == (
        "signal_analyser",
        "step_attenuator",
        "switch_matrix",
        "signal_generator",
        "power_meter",
        "dc_supply",
        "noise_source",
        "radio",
    )
    assert find_class("toaster") is None


def test_a_class_can_be_added_by_entry_point(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from importlib.metadata import EntryPoint, EntryPoints

    from hilkit.instruments import classes

    added = EntryPoint("slow_pad", "tests.instruments.added:SlowPad", classes.ENTRY_POINT_GROUP)
    found = EntryPoints([added])
    monkeypatch.setattr(classes, "entry_points", lambda **choice: found.select(**choice))
    text = PAD.replace("instrument_class: step_attenuator", "instrument_class: slow_pad")
    assert load_dialect("mine", lab(tmp_path, mine=text)).instrument_class == "slow_pad"
    assert class_names()[-1] == "slow_pad"
