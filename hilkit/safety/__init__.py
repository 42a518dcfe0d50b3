"""Safety on the bench: predicted levels, the gate that every RF state passes, the session, the safe state."""

from hilkit.safety.gate import Gate
from hilkit.safety.prediction import overloads, predict
from hilkit.safety.safe import make_safe
from hilkit.safety.session import RadioDesk, Session
from hilkit.safety.states import RfState

__all__ = ["Gate", "RadioDesk", "RfState", "Session", "make_safe", "overloads", "predict"]
