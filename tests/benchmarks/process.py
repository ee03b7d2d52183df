"""What the kernel says of a process: memory, threads, open files, bytes written."""

import os
import re
from pathlib import Path


class Process:
    """One process, by default this one."""

    def __init__(self, number: int | None = None) -> None:
        self._proc = Path("/proc") / str(os.getpid() if number is None else number)

    def megabytes(self, what: str) -> float:
        """MiB: `VmRSS` is resident now, `VmHWM` was at most."""
        return self._said("status", what) / 1024.0

    def written(self) -> int:
        """Bytes that it caused to be put on a disk; a page that changes again before the kernel has
        put it there counts once."""
        return self._said("io", "write_bytes")

    def threads(self) -> int:
        return self._said("status", "Threads")

    def files(self) -> int:
        return len(os.listdir(self._proc / "fd"))

    def held(self) -> dict[str, float]:
        """MiB resident now and at most, open files, threads."""
        return {
            "rss_mb": self.megabytes("VmRSS"),
            "peak_mb": self.megabytes("VmHWM"),
            "files": self.files(),
            "threads": self.threads(),
        }

    def _said(self, file: str, what: str) -> int:
        found = re.search(rf"(?m)^{what}:\s+(\d+)", (self._proc / file).read_text())
        assert found is not None
        return int(found[1])
