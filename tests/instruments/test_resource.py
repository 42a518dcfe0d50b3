"""Resource strings. Grammar: VPP-4.3 as quoted in the PyVISA documentation, page 'VISA resource names'."""

import pytest

from hilkit.errors import UsageError
from hilkit.instruments import ResourceProblem, check_resource


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("TCPIP::192.168.1.20::5025::SOCKET", "TCPIP0::192.168.1.20::5025::SOCKET"),
        ("TCPIP0::analyser-3.lab::05025::SOCKET", "TCPIP0::analyser-3.lab::5025::SOCKET"),
        ("tcpip2::10.0.0.1::INSTR", "TCPIP2::10.0.0.1::inst0::INSTR"),
        ("TCPIP::10.0.0.1", "TCPIP0::10.0.0.1::inst0::INSTR"),
        ("TCPIP::10.0.0.1::hislip0,4880::INSTR", "TCPIP0::10.0.0.1::hislip0,4880::INSTR"),
        ("gpib::18", "GPIB0::18::INSTR"),
        ("GPIB1::18::2::INSTR", "GPIB1::18::2::INSTR"),
        ("USB::0x1234::0x5678::SN1", "USB0::0x1234::0x5678::SN1::INSTR"),
        ("USB0::0x1234::0x5678::SN1::0::RAW", "USB0::0x1234::0x5678::SN1::0::RAW"),
        ("ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB0::INSTR"),
        ("ASRLCOM3", "ASRLCOM3::INSTR"),
    ],
)
def test_a_good_resource_gets_its_canonical_form(text: str, canonical: str) -> None:
    assert check_resource(text) == canonical
    assert check_resource(canonical) == canonical


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "write one such as TCPIP::192.168.1.20::5025::SOCKET"),
        ("   ", "it is empty"),
        ("TCPIP::10.0.0.1::5025 ::SOCKET", "write 'TCPIP::10.0.0.1::5025::SOCKET'"),
        ("TCPIP::10.0.0.1::SOCKET", "write TCPIP::10.0.0.1::5025::SOCKET"),
        ("TCPIP::10.0.0.1::5025", "write TCPIP::10.0.0.1::5025::SOCKET"),
        ("TCPIP0::10.0.0.1::5025::INSTR", "write TCPIP0::10.0.0.1::5025::SOCKET"),
        ("TCPIP::10.0.0.1::5025::socket", "write TCPIP::10.0.0.1::5025::SOCKET"),
        ("TCPIP::10.0.0.1::instr", "write TCPIP::10.0.0.1::INSTR"),
        ("TCPIP::[fe80::1]::5025::SOCKET", "IPv6 address in brackets"),
        ("TCPIP::10.0.0.1::70000::SOCKET", "a number from 1 to 65535"),
        ("TCPIP::10.0.0.1::0::SOCKET", "a number from 1 to 65535"),
        ("TCPIP::10.0.0.1::scpi::SOCKET", "'scpi' is no port"),
        ("TCPIP::10.0.0.1::inst0::5025::SOCKET", "write TCPIP::10.0.0.1::5025::SOCKET"),
        ("TCPIP::10.0.0.1:5025::SOCKET", "no host name"),
        ("TCPIP::10.0.0.300::5025::SOCKET", "four numbers from 0 to 255"),
        ("TCPIP::INSTR", "the host is missing"),
        ("TCPIP::10.0.0.1::inst0::x::INSTR", "too many fields"),
        ("TCPIPx::10.0.0.1::INSTR", "board number 'x'"),
        ("10.0.0.1:5025", "this is no VISA resource name; write TCPIP::10.0.0.1::5025::SOCKET"),
        ("tcp://pier.lab:5025", "write TCPIP::pier.lab::5025::SOCKET"),
        ("COM3", "write ASRL3::INSTR"),
        ("/dev/ttyUSB0", "write ASRL/dev/ttyUSB0::INSTR"),
        ("analyser", "write one such as TCPIP::192.168.1.20::5025::SOCKET"),
        ("TCPIP::::5025::SOCKET", "a field between two '::' is empty"),
        ("GPIB0::INTFC", "the interface itself"),
        ("GPIB0::31::INSTR", "write GPIB0::18::INSTR"),
        ("USB0::0x1234::INSTR", "vendor, product and serial"),
        ("ASRL::INSTR", "the serial port is missing"),
    ],
)
def test_a_bad_resource_is_told_what_to_write(text: str, says: str) -> None:
    with pytest.raises(ResourceProblem, match="resource") as caught:
        check_resource(text)
    assert says in str(caught.value)
    assert isinstance(caught.value, UsageError)
    assert isinstance(caught.value, ValueError)
