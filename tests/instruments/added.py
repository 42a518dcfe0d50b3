"""An instrument class that another package might add."""

from typing import ClassVar

from hilkit.instruments import StepAttenuator


class SlowPad(StepAttenuator):
    INSTRUMENT_CLASS: ClassVar[str] = "slow_pad"
