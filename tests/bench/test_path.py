"""A path adds its elements in dB, knows its nodes and refuses frequencies that it does not cover."""

from __future__ import annotations

from pathlib import Path as FilePath

import numpy as np
import pytest
import skrf
from hypothesis import given
from hypothesis import strategies as st

from hilkit.bench.loss import ConstantLoss, TableLoss, touchstone_loss
from hilkit.bench.path import Element, Path, PathError, frequency_text

DATA = FilePath(skrf.__file__).parent / "data"


def chain() -> Path:
    return Path(
        "tx1",
        [
            Element(label="coupler", loss=TableLoss.of({1e9: 20.0, 3e9: 22.0}), uncertainty_db=0.3),
            Element(label="relay", loss=ConstantLoss(0.5), instrument="relay", close=(101,)),
            Element(label="pad", loss=ConstantLoss(2.0), instrument="pad", is_pad=True),
            Element(label="cable", loss=TableLoss.of({0.5e9: 0.4, 2.5e9: 1.2})),
        ],
        [("port", 0), ("relay input", 1), ("pad input", 2), ("analyser input", 4)],
    )


def test_losses_add_in_db() -> None:
    assert chain().loss_db(2e9) == pytest.approx(21.0 + 0.5 + 2.0 + 1.0)
    assert chain().loss_db(2e9, pad_db=30.0) == pytest.approx(24.5 + 30.0)
    assert chain().losses_db([1e9, 2e9], pad_db=1.0) == pytest.approx([20 + 0.5 + 2 + 0.6 + 1, 25.5])


def test_the_loss_to_a_node_counts_what_lies_before_it() -> None:
    path = chain()
    assert path.loss_to("port", 2e9) == 0.0
    assert path.loss_to("relay input", 2e9) == pytest.approx(21.0)
    assert path.loss_to("pad input", 2e9, pad_db=30.0) == pytest.approx(21.5)
    assert path.loss_to("analyser input", 2e9, pad_db=30.0) == pytest.approx(path.loss_db(2e9, pad_db=30.0))


def test_the_least_loss_takes_the_best_frequency_and_the_uncertainty() -> None:
    path = chain()
    assert path.min_loss_to("relay input", 2e9) == pytest.approx(21.0 - 0.3)
    assert path.min_loss_to("relay input", 2e9, bandwidth_hz=200e6) == pytest.approx(20.9 - 0.3)
    assert path.min_loss_to("analyser input", 2e9, pad_db=10.0) == pytest.approx(24.5 - 0.3 + 10.0)


def test_the_least_loss_stays_inside_what_is_known() -> None:
    assert chain().min_loss_to("relay input", 1e9, bandwidth_hz=1e9) == pytest.approx(20.0 - 0.3)


def test_a_path_tells_its_parts() -> None:
    path = chain()
    assert path.nodes == ("port", "relay input", "pad input", "analyser input")
    assert path.coverage_hz == (1e9, 2.5e9)
    assert path.pad_instrument == "pad"
    assert path.switch_positions == {"relay": (101,)}
    assert path.nodes_before_switch("relay") == ("port", "relay input")


@pytest.mark.parametrize(
    ("frequency_hz", "element", "ends"),
    [(0.9e9, "coupler", "1 GHz to 3 GHz"), (2.6e9, "cable", "500 MHz to 2.5 GHz")],
)
def test_a_frequency_outside_an_element_names_it_and_its_range(
    frequency_hz: float, element: str, ends: str
) -> None:
    with pytest.raises(
        PathError, match=f"path tx1 has no loss at .*: {element} is known from {ends}"
    ) as caught:
        chain().loss_db(frequency_hz)
    assert "does not extrapolate" in caught.value.next_step


def test_one_frequency_of_many_outside_is_enough_to_refuse() -> None:
    with pytest.raises(PathError, match=r"2\.6 GHz"):
        chain().losses_db([2e9, 2.6e9])


def test_an_unknown_node_is_answered_with_those_that_exist() -> None:
    with pytest.raises(PathError) as caught:
        chain().loss_to("pad output", 2e9)
    assert "no node 'pad output'" in str(caught.value)
    assert "pad input" in caught.value.next_step


def test_matched_networks_in_series_equal_scikit_rf_s_cascade() -> None:
    """With nothing reflected the cascade of scattering matrices is the sum in dB (scikit-rf)."""
    media = skrf.media.DefinedGammaZ0(frequency=skrf.Frequency(1, 3, 21, unit="GHz"), z0_port=50)
    whole = media.attenuator(-10) ** media.attenuator(-20)
    path = Path(
        "p", [Element(label="a", loss=ConstantLoss(10.0)), Element(label="b", loss=ConstantLoss(20.0))], []
    )
    assert path.losses_db(whole.f) == pytest.approx(-20 * np.log10(np.abs(whole.s[:, 1, 0])), abs=1e-9)


def test_mismatch_is_what_a_sum_in_db_leaves_out() -> None:
    """scikit-rf cascades its ``ntwk1`` with itself to 5.49035 dB at 5.5 GHz; the sum in dB is 5.30409."""
    network = skrf.Network(str(DATA / "ntwk1.s2p"))
    loss = touchstone_loss(DATA / "ntwk1.s2p", to_port=2, from_port=1)
    path = Path("p", [Element(label="a", loss=loss), Element(label="b", loss=loss)], [])
    at = int(np.argmin(np.abs(network.f - 5.5e9)))
    whole = network**network
    assert path.loss_db(5.5e9) == pytest.approx(5.30409, abs=1e-4)
    mismatch = 1 - network.s[at, 1, 1] * network.s[at, 0, 0]
    assert path.loss_db(5.5e9) + 20 * np.log10(abs(mismatch)) == pytest.approx(
        -whole.s_db[at, 1, 0], abs=1e-9
    )


@given(
    losses=st.lists(st.floats(0, 60), min_size=1, max_size=6),
    pad=st.floats(0, 60),
)
def test_the_whole_is_the_sum_of_its_parts_in_any_order(losses: list[float], pad: float) -> None:
    elements = [Element(label=str(i), loss=ConstantLoss(loss)) for i, loss in enumerate(losses)]
    elements.append(Element(label="pad", loss=ConstantLoss(0.0), instrument="pad", is_pad=True))
    forward, backward = Path("f", elements, []), Path("b", elements[::-1], [])
    assert forward.loss_db(1e9, pad_db=pad) == pytest.approx(sum(losses) + pad)
    assert forward.loss_db(1e9, pad_db=pad) == pytest.approx(backward.loss_db(1e9, pad_db=pad))


@pytest.mark.parametrize(
    ("hz", "text"),
    [(1842.5e6, "1.8425 GHz"), (7.5e6, "7.5 MHz"), (15e3, "15 kHz"), (50.0, "50 Hz"), (0.0, "0 Hz")],
)
def test_a_frequency_is_shown_in_a_unit_for_people(hz: float, text: str) -> None:
    assert frequency_text(hz) == text
