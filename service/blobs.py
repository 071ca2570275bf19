"""Evidence as files whose name is the SHA-256 of what is in them: written once, the same thing only once."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from service.whole_files import Place, sync_folder, write_whole


@dataclass(frozen=True)
class Blobs:
    """All files below `folder`; `rename` is a parameter so that tests can cut the power before it."""

    folder: Path
    suffix: str
    rename: Place = os.replace

    def keep(self, content: bytes) -> str:
        """Keep the content; returns its SHA-256 in hex. OSError when the disk refuses."""
        sha256 = hashlib.sha256(content).hexdigest()
        path = self.path(sha256)
        if not (path.exists() and path.stat().st_size == len(content)):
            if not path.parent.is_dir():
                path.parent.mkdir(parents=True, exist_ok=True)
                sync_folder(self.folder)
            write_whole(path, content, place=self.rename)
        return sha256

    def path(self, sha256: str) -> Path:
        """Where it is, or would be."""
        return self.folder / sha256[:2] / f"{sha256}{self.suffix}"

    def remove(self, sha256: str) -> None:
        """Forget it; nothing happens when it is not there."""
        self.path(sha256).unlink(missing_ok=True)
