"""A process that takes an export and is killed in the middle: `python -m tests.bulk.dying URL FOLDER`."""

from __future__ import annotations

import os
import signal
import sys
from datetime import UTC, datetime
from pathlib import Path

from pydantic import SecretStr

from drainledger.rest import ndjson
from drainledger.rest.rest import Rest
from drainledger.settings import Settings
from drainledger.store.store import Store
from drainledger.web.fhir.bulk.worker import Exports
from tests.intake.service import renderer_of


def main(url: str, folder: str) -> None:
    store = Store.open(url)
    settings = Settings(database=SecretStr(url), export_dir=Path(folder))
    put = ndjson.Files.put

    def dying(files: ndjson.Files, *named: object) -> None:
        put(files, *named)  # type: ignore[arg-type]  # passed on as they are
        if files.done >= 30:
            for each in files._open.values():
                files._hand_over(each)
            files._wait(0)
            for each in files._open.values():
                each.out.flush()
            os.kill(os.getpid(), signal.SIGKILL)

    ndjson.Files.put = dying  # type: ignore[method-assign,assignment]  # this process is for dying alone
    exports = Exports(store, Rest(store, renderer_of), settings, lambda: datetime.now(UTC), lease=2)
    row = exports._take()
    assert row is not None, "there is a job to take"
    exports._do(row)


if __name__ == "__main__":
    main(*sys.argv[1:])
