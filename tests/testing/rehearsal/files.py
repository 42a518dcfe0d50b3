"""A lab of somebody who has never seen the demo bench: other names, other dialects, another kind of path."""

from __future__ import annotations

from pathlib import Path

RADIO = r"""
driver: unit_shell
instrument_class: radio
summary: unit on a shell
terminators: {write: "\r\n", read: "\r\n"}
timeout: 2 s
safe_command: [ssh, unit7, pa, all, "off"]
line: {echo: false, prompt: "", noise: "#", done: 'OK|DONE \d+', error: 'ERR(?P<number>-?\d+): (?P<text>.+)'}
capabilities:
  identity:
    ask: show unit
    reply: 'unit (?P<model>\S+), s/n (?P<serial>[A-Z0-9-]+), sw (?P<firmware>[\w.]+)'
  uptime: {ask: show uptime, reply: 'up (?P<value>\d+) ms', unit: ms}
  boot_count: {ask: show boots, reply: '(?P<value>\d+) boots'}
  reference:
    set: set ref {value}
    ask: show ref
    reply: 'ref=(?P<value>EXT|INT) .*'
    words: {external: EXT, internal: INT}
  reference_state:
    ask: show ref
    reply: 'ref=\S+ pll=(?P<value>\S+)'
    words: {locked: LOCK, seeking: ACQ, absent: NOSIG}
  rf: {set: "pa{channel} {value}", ask: "pa{channel}?", reply: 'pa{channel}=(?P<value>\d)',
       words: {"on": "1", "off": "0"}}
  carrier: {set: "freq{channel} {value}", ask: "freq{channel}?",
            reply: 'freq{channel}=(?P<value>\d+\.\d+) MHz',
            unit: MHz, range: [3300 MHz, 3800 MHz], tolerance: 10 Hz}
  synthesiser_state: {ask: "pll{channel}?", reply: 'pll{channel}=(?P<value>\w+)',
                      words: {locked: LOCK, slewing: MOVE, lost: LOST}}
  synthesiser_restart: {set: "pll{channel} reset"}
  attenuation: {set: "att{channel} {value}", ask: "att{channel}?", reply: 'att{channel}=(?P<value>-?[\d.]+)',
                unit: dB, range: [0 dB, 41 dB], step: 0.25 dB, tolerance: 0.01 dB}
  tone: {set: "src{channel} cw {offset} {level}"}
  waveform: {set: "src{channel} wave {waveform} {level}"}
  stream_start: {set: "src{channel} go"}
  stream_stop: {set: "src{channel} halt"}
  stream: {ask: "src{channel}?", reply: 'src{channel}=(?P<value>.*)'}
  calibrate: {set: "cal{channel}"}
  calibration_state: {ask: "cal{channel}?", reply: 'cal{channel}=(?P<value>NONE|RUN|OK|BAD|OLD)( \d+%)?',
                      words: {none: NONE, running: RUN, done: OK, failed: BAD, stale: OLD}}
  corrections: {set: "dpd{channel} {value}", words: {"on": "1", "off": "0"}}
  corrections_state: {ask: "dpd{channel}?", reply: 'dpd{channel}=(?P<value>[A-Z]+)(?:,(?P<progress>\d+))?',
                      words: {"off": "OFF", learning: LEARN, settled: DONE, stuck: STUCK}}
  temperature: {ask: temp, reply: '(?P<value>\d+) degC', unit: °C}
"""

ANALYSER = r"""
driver: short_words
base: signal_analyser
instrument_class: signal_analyser
summary: analyser with a language of its own
identity: 'OA-\d{4}'
terminators: {write: "\n", read: "\r\n"}
completion: opc_query
error_query: "ERR?"
trace: {query: "TRA?", format: ascii, layout: xy}
noise_bandwidth_ratio: 1.128
sweep_time: {factor: 3, minimum: 5 ms}
capabilities:
  centre: {set: "CF {value} MHZ", ask: "CF?", unit: MHz, range: [10 MHz, 8 GHz]}
  span: {set: "SP {value} MHZ", ask: "SP?", unit: MHz, range: [1 kHz, 3 GHz]}
  points: {set: "MP {value}", ask: "MP?", range: [51, 4001]}
  attenuation: {set: "AT {value}", ask: "AT?", range: [0 dB, 60 dB], step: 5 dB}
  rbw: {set: "RB {value}", ask: "RB?", range: [10 Hz, 3 MHz], decade: [1, 3], tolerance: 1 %}
  detector: {set: "DET {value}", ask: "DET?", words: {rms: RMS, sample: SMP, peak: POS, negative: NEG}}
  start: {set: TS, overlapped: true}
  trace_format: null
  byte_order: null
  trace_maths: null
  impedance: null
"""

BENCH = """
bench: quay west
instruments:
  sa: {driver: short_words, resource: "GPIB0::18::INSTR", model: OA-3000, serial: "77", reference: external}
radio:
  driver: unit_shell
  command: [ssh, unit7, console]
  serial: U7-001
  channels: {3: port c}
  max_level: 30 dBm
  frequency: [{from: 3400 MHz, to: 3600 MHz}]
  bandwidth: 100 MHz
  papr: 11 dB
paths:
  port c:
    - {kind: pad, loss: 40 dB, uncertainty: 0.3 dB}
    - {kind: amplifier, name: stage, gain: {3 GHz: 18 dB, 4 GHz: 17 dB}, uncertainty: 1 dB, node_in: booster}
    - {kind: cable, loss: {3 GHz: 1.1 dB, 4 GHz: 1.4 dB}, law: sqrt_f, node_out: sa in}
ratings: {booster: {average: 0 dBm, peak: 10 dBm}, sa in: 20 dBm}
"""

SERIAL_BENCH = """
bench: shed
instruments:
  analyser: {driver: signal_analyser_contrary, resource: "TCPIP0::10.0.0.7::hislip0::INSTR"}
  matrix: {driver: switch_matrix, resource: "USB0::0x1234::0x5678::SN1::INSTR"}
radio:
  driver: radio_head
  resource: ASRL/dev/ttyUSB0::INSTR
  channels: {0: a, 1: b}
  max_level: 20 dBm
  frequency: [{from: 1900 MHz, to: 2000 MHz}]
  bandwidth: 20 MHz
paths:
  a:
    - {kind: pad, loss: 30 dB}
    - {kind: switch, instrument: matrix, close: [1, 12], loss: 0.5 dB}
  b:
    - {kind: pad, loss: 30 dB}
    - {kind: switch, instrument: matrix, close: [2], loss: 0.5 dB}
"""

PLAN = """
plan: quay check
bench: quay
steps:
  - bring_up: {channel: 3, carrier: 3500 MHz, reference: external, limits: {calibrated: {min: 1}}}
  - channel_power: {channel: 3, carrier: 3500 MHz, waveform: test_a, bandwidth: 40 MHz, attenuation: 3 dB,
                    limits: {channel_power: {nominal: 14.7 dBm, within: 1 dB}}}
"""


def make_lab(folder: Path, *changes: tuple[str, str]) -> Path:
    """Write the lab, with texts replaced in whichever file has them; return its folder."""
    files = {
        "drivers/unit_shell.yaml": RADIO,
        "drivers/short_words.yaml": ANALYSER,
        "benches/quay.yaml": BENCH,
        "benches/shed.yaml": SERIAL_BENCH,
        "sequences/quay.yaml": PLAN,
    }
    for old, new in changes:
        assert any(old in text for text in files.values()), f"{old!r} is in no file"
        files = {name: text.replace(old, new, 1) for name, text in files.items()}
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text.lstrip(), encoding="utf-8")
    return folder
