"""Which house may import what. Purity is a folder, and this file guards it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
HOUSES = ("service", "drivers", "simulator")
PIPELINE_ORDER = (
    "trace", "readings", "levels", "edges", "characters", "echoes", "measurements",
    "findings", "criteria", "verdict", "document", "chain",
)  # fmt: skip


def imports_of(path: Path) -> Iterator[str]:
    """Full dotted names that a file imports, anywhere in it; a relative import is made absolute."""
    package = path.relative_to(ROOT).with_suffix("").parts[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            module = ".".join((*base, *(node.module or "").split("."))).strip(".")
            yield from (f"{module}.{alias.name}" for alias in node.names)


def files_of(folder: str) -> list[Path]:
    found = sorted((ROOT / folder).rglob("*.py"))
    assert found, f"no files in {folder}: the rule would check nothing"
    return found


def offenders(folder: str, forbidden: tuple[str, ...], *, but: tuple[str, ...] = ()) -> list[str]:
    return [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in files_of(folder)
        if str(path.relative_to(ROOT)) not in but
        for name in imports_of(path)
        if any(name == bad or name.startswith(bad + ".") for bad in forbidden)
    ]


@pytest.mark.parametrize(
    ("folder", "forbidden"),
    [
        ("simulator", ("service", "drivers", "tests", "pyvisa", "pyvisa_py")),
        ("drivers", ("service", "simulator", "tests")),
        ("service", ("simulator", "tests", "pyvisa", "pyvisa_py", "serial")),
    ],
)
def test_the_arrows_between_the_houses_go_one_way(folder: str, forbidden: tuple[str, ...]) -> None:
    """service -> drivers; the simulator imports neither house and is imported by neither."""
    assert offenders(folder, forbidden) == []


def test_only_one_file_knows_pyvisa_and_only_the_target_folder_knows_pyserial() -> None:
    """The seams to the outside stay in one place each."""
    assert offenders("drivers", ("pyvisa", "pyvisa_py"), but=("drivers/session.py",)) == []
    outside = [o for o in offenders("drivers", ("serial",)) if not o.startswith("drivers/target/")]
    assert outside == []


def test_the_pipeline_imports_numpy_the_standard_library_and_itself() -> None:
    """So a stored capture can be judged again anywhere, without hardware or web parts."""
    import sys

    allowed = {"numpy", "service", *sys.stdlib_module_names}
    strange = [
        f"{path.name} imports {name}"
        for path in files_of("service/pipeline")
        for name in imports_of(path)
        if name.split(".")[0] not in allowed
        or (name.startswith("service") and not name.startswith("service.pipeline"))
    ]
    assert strange == []


def test_data_flows_one_way_through_the_stages() -> None:
    """A stage imports only stages before it; other files of the pipeline may not close a circle either."""
    position = {name: i for i, name in enumerate(PIPELINE_ORDER)}
    backwards = [
        f"{path.stem} imports {name}"
        for path in files_of("service/pipeline")
        if path.stem in position
        for name in imports_of(path)
        if name.startswith("service.pipeline.") and position.get(name.split(".")[2], -1) > position[path.stem]
    ]
    assert backwards == []


def test_the_doors_are_imported_by_nobody() -> None:
    """Only an entry wires or serves: nothing below may depend on web, cli or wiring."""
    doors = ("service.web", "service.cli", "service.wiring")
    found = [
        o
        for o in offenders("service", doors)
        if not o.startswith(("service/web/", "service/cli/", "service/__main__.py", "service/wiring.py"))
    ]
    assert found == []
