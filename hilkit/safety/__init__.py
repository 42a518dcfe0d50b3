"""Safety on the bench: predicted levels, the gate that every RF state passes, the session, the safe state."""

from hilkit.safety.gate import Gate
from hilkit.safety.person import OnPerson, PersonStep
from hilkit.safety.prediction import overloads, predict
from hilkit.safety.safe import SafeState, make_safe, reach_safe
from hilkit.safety.session import RadioDesk, Session
from hilkit.safety.source import Lead, SourceDesk
from hilkit.safety.states import RfState

__all__ = [
    "Gate",
    "Lead",
    "OnPerson",
    "PersonStep",
    "RadioDesk",
    "RfState",
    "SafeState",
    "Session",
    "SourceDesk",
    "make_safe",
    "overloads",
    "predict",
    "reach_safe",
]
