"""Instruments behind VISA: the link, the dialects, one class per instrument class, and the radio."""

from hilkit.instruments.analyser import SignalAnalyser
from hilkit.instruments.attenuator import StepAttenuator
from hilkit.instruments.capability import Capability, CapabilitySpec, Limits
from hilkit.instruments.classes import class_names, find_class
from hilkit.instruments.console import LineConsole
from hilkit.instruments.dialect import Dialect, load_dialect
from hilkit.instruments.driver_file import DriverFile
from hilkit.instruments.factory import open_instrument
from hilkit.instruments.generator import GeneratorLimits, GeneratorStatus, SignalGenerator
from hilkit.instruments.instrument import Identity, ScpiInstrument
from hilkit.instruments.lines import LineTransport, ProcessLines, VisaLines
from hilkit.instruments.link import LinkSettings, ScpiLink
from hilkit.instruments.noise_source import NoiseSource
from hilkit.instruments.power_meter import MeterLimits, PowerMeter, PowerReading
from hilkit.instruments.radio import CorrectionState, Radio, RadioIdentity
from hilkit.instruments.replies import ErrorEntry
from hilkit.instruments.resource import ResourceProblem, check_resource
from hilkit.instruments.supply import DcSupply, SupplyLimits
from hilkit.instruments.sweep import AnalyserLimits, AnalyserStatus, SweepSetup
from hilkit.instruments.switch import SwitchMatrix
from hilkit.instruments.transcript import FileTranscript, NullTranscript, Transcript

__all__ = [
    "AnalyserLimits",
    "AnalyserStatus",
    "Capability",
    "CapabilitySpec",
    "CorrectionState",
    "DcSupply",
    "Dialect",
    "DriverFile",
    "ErrorEntry",
    "FileTranscript",
    "GeneratorLimits",
    "GeneratorStatus",
    "Identity",
    "Limits",
    "LineConsole",
    "LineTransport",
    "LinkSettings",
    "MeterLimits",
    "NoiseSource",
    "NullTranscript",
    "PowerMeter",
    "PowerReading",
    "ProcessLines",
    "Radio",
    "RadioIdentity",
    "ResourceProblem",
    "ScpiInstrument",
    "ScpiLink",
    "SignalAnalyser",
    "SignalGenerator",
    "StepAttenuator",
    "SupplyLimits",
    "SweepSetup",
    "SwitchMatrix",
    "Transcript",
    "VisaLines",
    "check_resource",
    "class_names",
    "find_class",
    "load_dialect",
    "open_instrument",
]
