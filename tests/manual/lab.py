"""The lab folder in which the manual's examples run: every file that the manual shows, and a faulty bench."""

from __future__ import annotations

from pathlib import Path

from hilkit.files import library
from tests.manual.chapters import fences

__all__ = ["FAULTY", "faults_text", "make_lab"]

FAULTY = "faulty_pier"


def make_lab(folder: Path, faults: tuple[str, ...] = ()) -> Path:
    """Write every named example into ``folder``; where ``faults`` are given, also the bench that has them."""
    for name in ("benches", "drivers", "sequences", "sim_profiles", "cables"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    for fence in fences():
        if fence.file:
            path = folder / fence.file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(fence.text, encoding="utf-8")
    shipped = library() / "sim_profiles"
    line = (shipped / "measured_line.s2p").read_bytes()
    (folder / "cables" / "blue_line.s2p").write_bytes(line)
    own = folder / "sim_profiles"
    (own / "measured_line.s2p").write_bytes(line)
    if faults:
        truth = (shipped / "simulated_pier.yaml").read_text(encoding="utf-8")
        (own / f"{FAULTY}.yaml").write_text(truth + faults_text(faults), encoding="utf-8")
        belief = (shipped / "simulated_pier.bench.yaml").read_text(encoding="utf-8")
        belief = belief.replace("simulation: simulated_pier", f"simulation: {FAULTY}")
        (own / f"{FAULTY}.bench.yaml").write_text(belief, encoding="utf-8")
    return folder


def faults_text(faults: tuple[str, ...]) -> str:
    """Return the ``faults:`` of a profile for ``INSTRUMENT/KIND/BEGINNING[/COUNT]``, ``_`` being a space."""
    lines = ["faults:"]
    for fault in faults:
        instrument, kind, when, *count = fault.split("/")
        when = when.replace("_", " ")
        lines.append(
            f'  - {{instrument: {instrument}, kind: {kind}, when: "{when}", count: {(count or ["1"])[0]}}}'
        )
    return "\n".join(lines) + "\n"
