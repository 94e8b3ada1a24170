"""The errors of handfast."""

from __future__ import annotations

from handfast.errors import FaultError, HandfastError, InputError


def test_an_input_error_says_all_it_knows_in_one_message():
    """What, where, expected, available with the nearest name, and the next step stand on lines of their own."""
    error = InputError(
        "unknown key",
        where="bench.toml:4: arms.left.bse_mm",
        expected="a key of an arm",
        available=["wire", "base_mm"],
        asked="bse_mm",
        next_step="mend the name",
    )
    assert str(error).splitlines() == [
        "bench.toml:4: arms.left.bse_mm: unknown key",
        "  expected: a key of an arm",
        "  available: base_mm, wire (nearest: base_mm)",
        "  next: mend the name",
    ]


def test_an_input_error_leaves_out_what_it_does_not_know():
    """A bare message is one line, and a far-off name gets no hint."""
    assert str(InputError("no such file")) == "no such file"
    assert "nearest" not in str(InputError("unknown", available=["elbow"], asked="zzz"))


def test_exit_statuses_tell_input_from_hardware():
    """2 for what the user gave, 3 for hardware; both are HandfastErrors."""
    assert (InputError("x").exit_status, FaultError("x").exit_status) == (2, 3)
    assert issubclass(InputError, HandfastError)
    assert issubclass(FaultError, HandfastError)
