"""What the house shows to the outside, and what it costs to look at it."""

from __future__ import annotations

import subprocess
import sys

import pytest

import drivers
from drivers import errors


def test_looking_at_the_drivers_loads_nothing_heavy() -> None:
    """Who only judges a saved trace pays for no VISA library."""
    code = (
        "import sys, drivers\n"
        "heavy = {'pyvisa', 'pyvisa_py', 'serial', 'numpy'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=30, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_reading_a_dialect_loads_no_visa_library() -> None:
    """A dialect is checked on a machine without instruments."""
    code = (
        "import sys\nfrom drivers.scope.dialect_reader import load_dialect\nload_dialect('scpi-1999')\n"
        "sys.exit(', '.join(sorted({'pyvisa', 'serial'} & set(sys.modules))) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=30, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("name", drivers.__all__)
def test_every_public_name_is_there(name: str) -> None:
    """The list and the module agree."""
    assert getattr(drivers, name) is not None


def test_every_error_is_public_and_of_one_family() -> None:
    """One `except DriverError` catches them all; a time-out is a kind of not being reachable."""
    ours = {
        name
        for name, value in vars(errors).items()
        if isinstance(value, type) and issubclass(value, Exception)
    }
    assert ours <= set(drivers.__all__)
    assert all(issubclass(getattr(drivers, name), drivers.DriverError) for name in ours)
    assert issubclass(drivers.TimedOut, drivers.NotReachable)


def test_a_dialect_that_does_not_exist_is_told_before_anything_is_sent() -> None:
    """Port 1 of loopback is never tried."""
    with pytest.raises(drivers.RequestError, match="did you mean 'scpi-1999'"):
        drivers.open_scope("TCPIP::127.0.0.1::1::SOCKET", "scpi-1998")
