"""A stand-in for the service that can be made to lie, so that the driver is seen to catch it.

    python -m tests.crash.stand_in --mode MODE --port N        (the database: DRAINLEDGER_DATABASE)

honest    commits, then answers
early     answers, then commits
twofold   takes a record that it has as a new one
forgetful leaves the last record out of every ledger
"""

from __future__ import annotations

import argparse
import json
import os
import sqlite3
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from tests.crash.ledgers import recomputed
from tests.crash.stream import Sent

TABLES = """
PRAGMA journal_mode = WAL;
CREATE TABLE IF NOT EXISTS journal (seq INTEGER PRIMARY KEY, kind TEXT, record_id TEXT, raw BLOB);
CREATE TABLE IF NOT EXISTS held (held_id TEXT);
"""


class Ward:
    """The journal of the stand-in, behind one lock."""

    def __init__(self, path: str, mode: str) -> None:
        self.mode = mode
        self._lock = threading.Lock()
        self._database = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
        self._database.executescript(TABLES)

    def take(self, lines: list[bytes]) -> None:
        with self._lock:
            self._database.execute("BEGIN IMMEDIATE")
            for text in lines:
                raw = json.loads(text)
                name = (raw["record"], raw["id"])
                if self.mode == "twofold" or not self._has(name):
                    self._database.execute(
                        "INSERT INTO journal (kind, record_id, raw) VALUES (?, ?, ?)", (*name, text)
                    )
            self._database.execute("COMMIT")

    def _has(self, name: tuple[str, str]) -> bool:
        found = self._database.execute("SELECT 1 FROM journal WHERE kind = ? AND record_id = ?", name)
        return found.fetchone() is not None

    def ledger(self, drain: str) -> Any:
        own = drain.partition("-")[0]
        with self._lock:
            rows = self._database.execute("SELECT kind, record_id, raw FROM journal ORDER BY seq").fetchall()
        sent = [Sent((kind, id), raw) for kind, id, raw in rows if id.startswith(f"{own}-")]
        return recomputed(sent[:-1] if self.mode == "forgetful" else sent)[drain]


def handler(ward: Ward) -> type[BaseHTTPRequestHandler]:
    class Answers(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            lines = self.rfile.read(int(self.headers["Content-Length"])).splitlines()
            told = {"results": [{"status": "accepted"} for _ in lines]}
            if ward.mode == "early":
                self._answer(told)
                time.sleep(0.05)
            ward.take(lines)
            if ward.mode != "early":
                self._answer(told)

        def do_GET(self) -> None:
            if self.path == "/health/ready":
                self._answer({})
            else:
                self._answer({"drains": [ward.ledger(self.path.split("/")[3])]})

        def _answer(self, told: object) -> None:
            body = json.dumps(told).encode()
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)
            self.wfile.flush()

        def log_message(self, format: str, *args: object) -> None:
            """Quiet."""

    return Answers


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.crash.stand_in", description=__doc__)
    parser.add_argument("--mode", choices=("honest", "early", "twofold", "forgetful"), required=True)
    parser.add_argument("--port", type=int, required=True)
    wanted = parser.parse_args()
    ward = Ward(os.environ["DRAINLEDGER_DATABASE"].removeprefix("sqlite:///"), wanted.mode)
    ThreadingHTTPServer(("127.0.0.1", wanted.port), handler(ward)).serve_forever()


if __name__ == "__main__":
    main()
