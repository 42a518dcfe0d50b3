"""Trace data: blocks and ASCII lists."""

import struct

import numpy as np
import pytest

from hilkit.errors import ReplyError
from hilkit.instruments.blocks import from_ascii, from_bytes
from tests.instruments.bench import INSTR, SOCKET, FakeBench, block

NUMBERS = [-10.5, 0.0, -120.25]
# 0x0A is the line feed: a float that holds it must not end the block (1.09e-09 is 0x3095...; chosen by its
# bytes).
LINE_FEEDS = struct.unpack(">f", b"\x0a\x0a\x0a\x0a")[0]


def asked(answer: bytes, *, resource: str = SOCKET, count: int = 3, **how: object) -> object:
    bench = FakeBench(resource)
    bench.instrument.answers[":TRACE?"] = answer
    link = bench.link()
    link.identify()
    values = link.ask_values(":TRACE?", count=count, **how)
    assert link.ask("*IDN?") == link.identity_text, "the link stays in step"
    return values


@pytest.mark.parametrize("resource", [SOCKET, INSTR])
@pytest.mark.parametrize("end", [b"\n", b"", b"\r\n"])
@pytest.mark.parametrize(("order", "mark"), [("big", ">"), ("little", "<")])
@pytest.mark.parametrize(("form", "letter"), [("real32", "f"), ("real64", "d")])
def test_a_block_is_read_by_count_whatever_its_terminator(
    resource: str, end: bytes, order: str, mark: str, form: str, letter: str
) -> None:
    """IEEE 488.2, clause 8.7.9; SCPI-99 volume 2, FORMat:BORDer (NORMal: high byte first)."""
    data = struct.pack(f"{mark}3{letter}", *NUMBERS)
    assert np.array_equal(
        asked(block(data, end), resource=resource, data_format=form, byte_order=order), NUMBERS
    )


@pytest.mark.parametrize("resource", [SOCKET, INSTR])
def test_data_bytes_may_be_line_feeds(resource: str) -> None:
    assert asked(block(b"\x0a" * 12), resource=resource) == pytest.approx([LINE_FEEDS] * 3)


def test_two_blocks_in_a_row_without_and_with_terminator_stay_in_step() -> None:
    bench = FakeBench()
    link = bench.link()
    data = struct.pack(">f", -1.0)
    for end in (b"\n", b"", b"\n", b"\n"):
        bench.instrument.answers[":TRACE?"] = block(data, end)
        assert link.ask_values(":TRACE?", count=1) == [-1.0]


def test_an_indefinite_block_is_read_where_the_interface_marks_the_end() -> None:
    data = struct.pack(">3f", *NUMBERS)
    assert np.array_equal(asked(b"#0" + data + b"\n", resource=INSTR), NUMBERS)


def test_an_indefinite_block_is_refused_on_a_socket_with_the_reason() -> None:
    with pytest.raises(ReplyError, match=r"#0.*a raw socket or serial line has none"):
        asked(b"#0" + b"\x00" * 12 + b"\n")


@pytest.mark.parametrize("resource", [SOCKET, INSTR])
def test_a_block_that_is_cut_off_names_the_bytes_and_the_link_recovers(resource: str) -> None:
    bench = FakeBench(resource)
    link = bench.link()
    link.identify()
    bench.instrument.answers[":TRACE?"] = block(b"\x00" * 4004)[:2000]
    with pytest.raises(ReplyError, match=r"got 1994 of 4004 bytes"):
        link.ask_values(":TRACE?", count=1001)
    assert link.ask("*IDN?") == link.identity_text


@pytest.mark.parametrize("resource", [SOCKET, INSTR])
def test_a_block_of_another_length_names_both_lengths(resource: str) -> None:
    with pytest.raises(ReplyError, match=r"4000 bytes, expected 4004 \(1001 numbers of 4 bytes\)"):
        asked(block(b"\x00" * 4000), resource=resource, count=1001)


@pytest.mark.parametrize("resource", [SOCKET, INSTR])
@pytest.mark.parametrize("answer", [b"-10.0,-11.0\n", b"#x12\n", b"#3ab\x00\n"])
def test_what_is_no_block_is_shown(resource: str, answer: bytes) -> None:
    with pytest.raises(ReplyError, match="does not begin like a data block"):
        asked(answer, resource=resource)


def test_bytes_after_a_block_are_reported() -> None:
    with pytest.raises(ReplyError, match="2 bytes too many"):
        asked(block(b"\x00" * 12, b"ab\n"), resource=INSTR)


def test_silence_instead_of_a_block_is_a_timeout() -> None:
    from hilkit.errors import LinkError

    bench = FakeBench()
    bench.instrument.answers[":TRACE?"] = None
    with pytest.raises(LinkError, match=r"no answer to ':TRACE\?' within 3 s"):
        bench.link().ask_values(":TRACE?", count=3)


def test_one_not_a_number_in_a_trace_is_an_error_with_its_place() -> None:
    """SCPI-99 volume 1, clause 7.2.1: 9.91E37 is not a number, also as a float of 32 bits."""
    data = struct.pack(">3f", -1.0, 9.91e37, -2.0)
    with pytest.raises(ReplyError, match=r"1 of 3 numbers.*number 2 is 9.91e\+37"):
        asked(block(data))


def test_the_wrong_byte_order_that_gives_nan_is_an_error() -> None:
    data = np.array([np.nan], dtype=">f4").tobytes()
    with pytest.raises(ReplyError, match="no valid values"):
        from_bytes(data, count=1, data_format="real32", byte_order="big", instrument="a", asked=":T?")


def test_an_ascii_list_is_read_and_counted() -> None:
    who = {"instrument": "a", "asked": ":T?"}
    assert list(from_ascii(" -1.0E+1, 2 ,3", count=3, **who)) == [-10.0, 2.0, 3.0]
    with pytest.raises(ReplyError, match="answered with 2 numbers, expected 3"):
        from_ascii("1,2", count=3, **who)
    with pytest.raises(ReplyError, match="not everything is a number"):
        from_ascii("1,two,3", count=3, **who)
    with pytest.raises(ReplyError, match=r"number 3 is 9\.91e"):
        from_ascii("1,2,9.91E37", count=3, **who)


def test_ascii_can_be_asked_for_over_the_link() -> None:
    assert list(asked(b"-1,-2,-3\n", data_format="ascii")) == [-1, -2, -3]


def test_the_transcript_has_the_size_of_a_block_and_not_its_bytes() -> None:
    bench = FakeBench()
    bench.instrument.answers[":TRACE?"] = block(struct.pack(">3f", *NUMBERS))
    bench.link().ask_values(":TRACE?", count=3)
    assert ("analyser", "<-", "# block of 12 bytes") in bench.transcript.entries
