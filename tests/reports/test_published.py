"""A verdict by a published limit is never shown without the place of that limit and the caution."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.cli import main

PLAN = """plan: trial of a published limit
bench: simulated_pier
steps:
  - channel_power:
      channel: 1
      carrier: 1842.5 MHz
      bandwidth: 18.36 MHz
      waveform: nr20
      attenuation: 10 dB
      limits: {channel_power: {standard: ts_38_104, clause: 6.2.2, requirement: test, rated: 2 dBm}}
"""


def shown(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Return what a command prints, in one line; it has to end in 0."""
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    assert left.value.code == 0
    return " ".join(capsys.readouterr().out.split())


def test_console_junit_and_explain_name_document_clause_and_what_is_from_memory(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = tmp_path / "p.yaml"
    plan.write_text(PLAN, encoding="utf-8")
    done = shown(capsys, "run", str(plan), "--out", str(tmp_path / "runs"))
    (run,) = (tmp_path / "runs").iterdir()
    explained = shown(capsys, "explain", str(run), "channel_power.channel_power")
    for told in (done, " ".join((run / "junit.xml").read_text(encoding="utf-8").split()), explained):
        assert "test requirement: 3GPP TS 38.104 V16.0.0, clause 6.2.2" in told
        assert "from memory, check the document" in told
    assert "no certificate" in done
