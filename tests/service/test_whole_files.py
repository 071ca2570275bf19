"""Files appear whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from service.whole_files import write_whole


def test_file_content_is_synced_before_its_name_and_the_name_before_success(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The order that POSIX asks for: fsync(file), name, fsync(folder)."""
    steps: list[str] = []
    real = os.fsync

    def fsync(descriptor: int) -> None:
        steps.append("folder" if os.path.isdir(f"/proc/self/fd/{descriptor}") else "file")
        real(descriptor)

    def link(source: str, target: str) -> None:
        steps.append("name")
        os.link(source, target)

    monkeypatch.setattr(os, "fsync", fsync)
    write_whole(tmp_path / "x", b"1", place=link)
    assert steps == ["file", "name", "folder"]
