"""The service as a process of its own, as it runs in earnest: started, asked, killed, stopped."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import httpx

from tests import postgres
from tests.house.repository import ROOT
from tests.privacy.gathering import watch

START_SECONDS = 60.0  # a small shared machine; DESIGN's 2 s are measured elsewhere


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port: int = taken.getsockname()[1]
    return port


class Service:
    """One process on a port of its own, in `folder`. Its settings are `environment`; what it says goes to `log`."""

    def __init__(
        self, command: Sequence[str], environment: dict[str, str], log: Path, *, folder: Path = ROOT
    ) -> None:
        self.port = free_port()
        self.base = f"http://127.0.0.1:{self.port}"
        self._command = [*command, "--port", str(self.port)]
        self._environment = clean_environment() | environment
        self._log = log
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None

    def launch(self) -> None:
        """Starts it and returns at once."""
        assert self._process is None or self._process.poll() is not None
        watch(self._log)
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                self._command,
                cwd=self._folder,
                env=self._environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )

    def start(self) -> None:
        """Starts it and waits until it says that it is ready. Raises AssertionError with its last words if it isn't."""
        self.launch()
        deadline = time.monotonic() + START_SECONDS
        while time.monotonic() < deadline:
            assert self.running, f"the service ended by itself:\n{self.last_words()}"
            if self._is_ready():
                return
            time.sleep(0.02)
        raise AssertionError(f"not ready within {START_SECONDS} s:\n{self.last_words()}")

    def _is_ready(self) -> bool:
        try:
            return httpx.get(f"{self.base}/health/ready", timeout=5, trust_env=False).status_code == 200
        except httpx.TransportError:
            return False

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def kill(self) -> None:
        """SIGKILL: no handler runs, nothing is flushed, no transaction is ended."""
        assert self._process is not None
        self._process.kill()
        assert self._process.wait(timeout=30) == -signal.SIGKILL, self.last_words()

    def stop(self) -> int:
        """SIGTERM, and its exit code."""
        assert self._process is not None
        self._process.terminate()
        return self._process.wait(timeout=60)

    def end(self) -> None:
        """Whatever its state, it is gone afterwards."""
        if self._process is not None and self.running:
            self._process.kill()
            self._process.wait(timeout=30)

    def processor_seconds(self) -> float:
        """Used so far. proc(5): the fields utime and stime, 14 and 15, in clock ticks."""
        assert self._process is not None
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def last_words(self) -> str:
        return self._log.read_text(encoding="utf-8", errors="replace")[-4000:]


def clean_environment() -> dict[str, str]:
    """This process's environment without settings of the service, with the source tree importable."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("DRAINLEDGER_")}
    return kept | {"PYTHONPATH": os.pathsep.join([str(ROOT / "service"), str(ROOT)])}


def settings(database: str) -> dict[str, str]:
    """What the tests' services go by: a database, and no rate that would slow the load."""
    return {
        "DRAINLEDGER_DATABASE": database,
        "DRAINLEDGER_PATIENT_SECRET": "of-these-tests-alone",
        "DRAINLEDGER_RATE_PER_SECOND": "100000",
        "DRAINLEDGER_RATE_BURST": "100000",
        "DRAINLEDGER_MIN_FREE_BYTES": "0",
    }


def drainledger(*arguments: str, environment: dict[str, str]) -> str:
    """Runs a command and gives what it prints. Raises AssertionError with its complaint if it fails."""
    ended = subprocess.run(
        [sys.executable, "-m", "drainledger", *arguments],
        cwd=ROOT,
        env=clean_environment() | environment,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ended.returncode == 0, f"drainledger {' '.join(arguments)}: {ended.returncode}\n{ended.stderr}"
    return ended.stdout


SERVE = (sys.executable, "-m", "drainledger", "serve", "--host", "127.0.0.1")


def serving(database: str, log: Path) -> Service:
    """The service itself, on this database; not started yet."""
    return Service(SERVE, settings(database), log)


def new_database(engine: str, folder: Path, name: str = "ward") -> str:
    """The URL of an empty database, in `folder` where it is SQLite."""
    if engine == "sqlite":
        return f"sqlite:///{folder / name}.db"
    return postgres.new_database(upgraded=False).replace("postgresql://", "postgresql+psycopg://")


def prepared(database: str) -> str:
    """Makes the tables of a new database; gives a key that may write and read."""
    environment = settings(database)
    drainledger("db", "upgrade", environment=environment)
    scopes = ("--scope", "records.write", "--scope", "read")
    return drainledger(
        "keys", "create", "--tenant", "t", "--source", "ward", *scopes, environment=environment
    ).strip()
