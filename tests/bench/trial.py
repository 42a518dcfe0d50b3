"""A bench file without mistakes, and changes to it."""

from __future__ import annotations

from pathlib import Path

from hilkit.bench import Bench, load_bench
from hilkit.files import Lab

PAD = "{kind: step_attenuator, instrument: pad, loss: {1.7 GHz: 2.0 dB, 2.5 GHz: 2.4 dB}, node_in: pad input}"

GOOD = """\
bench: trial bench
instruments:
  analyser: {driver: signal_analyser, resource: TCPIP0::127.0.0.1::5025::SOCKET, calibration_due: 2027-03-01}
  pad: {driver: step_attenuator, resource: "TCPIP0::127.0.0.1::5026::SOCKET", model: PA-60, serial: PA60-0031}
  relay: {driver: switch_matrix, resource: "TCPIP0::127.0.0.1::5027::SOCKET"}
radio:
  driver: radio_head
  resource: "TCPIP0::127.0.0.1::5030::SOCKET"
  serial: PH2-000417
  channels: {1: tx1, 2: tx2}
  max_level: 43 dBm
  frequency:
    - {from: 1805 MHz, to: 1880 MHz}
    - {from: 2300 MHz, to: 2400 MHz}
  bandwidth: 40 MHz
paths:
  tx1:
    - {node: radio tx1 port}
    - {kind: coupler, loss: {1.7 GHz: 20.2 dB, 2.5 GHz: 20.8 dB}, uncertainty: 0.2 dB, node_out: relay tx1 in}
    - {kind: switch, instrument: relay, close: [101], loss: 0.4 dB}
    - {kind: step_attenuator, instrument: pad, loss: {1.7 GHz: 2.0 dB, 2.5 GHz: 2.4 dB}, node_in: pad input}
    - {kind: cable, loss: {1 GHz: 0.6 dB, 3 GHz: 1.1 dB}, law: sqrt_f, node_out: analyser input}
  tx2:
    - {node: radio tx2 port}
    - {kind: coupler, loss: {1.7 GHz: 20.1 dB, 2.5 GHz: 20.9 dB}, uncertainty: 0.2 dB, node_out: relay tx2 in}
    - {kind: switch, instrument: relay, close: [102], loss: 0.4 dB}
    - {kind: step_attenuator, instrument: pad, loss: {1.7 GHz: 2.0 dB, 2.5 GHz: 2.4 dB}, node_in: pad input}
    - {kind: cable, loss: {1 GHz: 0.6 dB, 3 GHz: 1.1 dB}, law: sqrt_f, node_out: analyser input}
ratings: {pad input: 27 dBm, analyser input: 20 dBm}
"""


def changed(*changes: tuple[str, str]) -> str:
    """Return the good file with texts replaced, each of which is in it."""
    text = GOOD
    for old, new in changes:
        assert old in text, f"{old!r} is not in the good bench file"
        text = text.replace(old, new, 1)
    return text


def bench_of(folder: Path, text: str = GOOD) -> Bench:
    """Return the bench of a text, written to a file named ``trial.yaml``."""
    file = folder / "trial.yaml"
    file.write_text(text, encoding="utf-8")
    return load_bench(file, Lab(folder))
