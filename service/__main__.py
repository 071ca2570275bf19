"""The console command `benchwarden`, also `python -m service`.

The three packages have general names. A foreign `drivers` in the same environment would be imported instead
of ours without a word, so it is looked for before anything of the three is imported.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib.util import find_spec

HOUSES = ("service", "drivers", "simulator")


def foreign_house(home: str) -> str | None:
    """One sentence about the first package that is not found in `home`, None when all three are."""
    for name in HOUSES:
        spec = find_spec(name)
        found = list(spec.submodule_search_locations or []) if spec else []
        if not found:
            return (
                f"the package {name!r} of Benchwarden is missing: install again, in an environment of its own"
            )
        ours = os.path.join(home, name)
        if os.path.realpath(found[0]) != os.path.realpath(ours):
            return (
                f"the package {name!r} at {found[0]} is a foreign one, ours is at {ours}: "
                "install Benchwarden in an environment of its own, and look at PYTHONPATH"
            )
    return None


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code (contract: 0, 1, 2, 3, 4, 5)."""
    complaint = foreign_house(os.path.dirname(os.path.dirname(os.path.realpath(__file__))))
    if complaint:
        print(f"benchwarden: {complaint}", file=sys.stderr)
        return 5
    from service.cli.main import run

    return run(sys.argv[1:] if argv is None else argv)


if __name__ == "__main__":
    sys.exit(main())
