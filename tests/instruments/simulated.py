"""The simulated pier bench for these tests, with the analyser of either dialect, at any resource."""

from collections.abc import Iterable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from hilkit.clock import VirtualClock
from hilkit.files import Lab, library
from hilkit.instruments import load_dialect, open_instrument
from hilkit.sim import open_simulated
from hilkit.sim.profile import load_profile
from tests.instruments.bench import SOCKET, Lines


class SimulatedBench:
    """A bench of its own; ``faults`` are rows of instrument, kind, when, and more."""

    def __init__(
        self, tmp_path: Path, *, dialect: str = "standard", resource: str = SOCKET, faults: Iterable[Any] = ()
    ) -> None:
        folder = library() / "sim_profiles"
        for data in folder.glob("*.s2p"):
            (tmp_path / data.name).write_bytes(data.read_bytes())
        text = (folder / "simulated_pier.yaml").read_text(encoding="utf-8")
        assert "  analyser:\n    resource:" in text
        text = text.replace(
            "  analyser:\n    resource:", f"  analyser:\n    dialect: {dialect}\n    resource:", 1
        )
        path = tmp_path / "mine.yaml"
        path.write_text(text.replace(SOCKET, resource), encoding="utf-8")
        self.clock = VirtualClock()
        self.transcript = Lines()
        self.resource = resource
        self.manager, self.world = open_simulated(load_profile(path, Lab(None)), self.clock, 1, faults=faults)

    def analyser(self, driver: str = "signal_analyser") -> Any:
        return self.open("analyser", driver, self.resource)

    def open(self, name: str, driver: str, resource: str) -> Any:
        return open_instrument(
            load_dialect(driver, Lab(None)),
            name=name,
            clock=self.clock,
            resource_manager=self.manager,
            resource=resource,
            transcript=self.transcript,
        )


def fault(kind: str, when: str, instrument: str = "analyser", **more: Any) -> Any:
    row = {
        "instrument": instrument,
        "kind": kind,
        "when": when,
        "after": 1,
        "count": 1,
        "delay": None,
        "at": None,
    }
    return SimpleNamespace(**{**row, **more})
