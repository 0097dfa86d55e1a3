"""The run fails when a log line, a figure or an error names a patient, and when nothing was there to be searched."""

from __future__ import annotations

import shutil
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.privacy import answers, gathering
from tests.privacy.gathering import SEARCHED, Gathering, Piece, gathered
from tests.privacy.identifiers import RECORDS, Identifier, Search, of_the_fixtures

_FOLDER = "privacy_folder"
#: Tests that call the service in this process have one of these; they can't but leave answers and log lines.
_CALLERS = frozenset({"http", "demo"})
_ASKS = "asks_the_service"
#: So many of them are a run of the service's tests, in which errors and figures are asked for too.
_WHOLE = 50
_SHOWN = 20


class Privacy:
    """Gathers in each process that runs tests; judges in the one that the run began in."""

    def __init__(self, config: pytest.Config) -> None:
        given: dict[str, Any] | None = getattr(config, "workerinput", None)
        self._judges = given is None
        self._folder = Path(given[_FOLDER] if given else tempfile.mkdtemp(prefix="drainledger-said-"))
        self._gathering = Gathering(self._folder, given["workerid"] if given else "main")
        self._end: Callable[[], None] = answers.listen(self._gathering)
        self._asked = 0
        self._verdict: list[str] = []
        self._searched = ""
        gathering.begin(self._gathering)
        config.addinivalue_line("markers", f"{_ASKS}: calls the service in this process (set by itself)")

    @pytest.hookimpl(optionalhook=True)
    def pytest_configure_node(self, node: Any) -> None:
        node.workerinput[_FOLDER] = str(self._folder)

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        for item in items:
            if _CALLERS & set(getattr(item, "fixturenames", ())):
                item.add_marker(_ASKS)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._asked += report.when == "call" and report.passed and _ASKS in report.keywords

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        self._end()
        self._gathering.close()
        if not self._judges:
            return
        pieces = list(gathered(self._folder))
        self._verdict = [*missing(pieces, self._asked), *leaks(pieces)]
        counts = Counter(piece.kind for piece in pieces)
        self._searched = ", ".join(f"{counts[kind]} of {kind}" for kind in SEARCHED)
        if self._verdict:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED
        else:
            shutil.rmtree(self._folder)

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        if self._verdict:
            terminalreporter.section("what the service said of patients", red=True, bold=True)
            terminalreporter.write_line("\n".join(self._verdict[:_SHOWN]))
            left = len(self._verdict) - _SHOWN
            if left > 0:
                terminalreporter.write_line(f"and {left} more")
            terminalreporter.write_line(f"all that was said: {self._folder}")
        elif self._asked:
            terminalreporter.write_line(f"no patient's identifier in what the service said: {self._searched}")


def missing(pieces: list[Piece], asked: int) -> list[str]:
    """What was not gathered though `asked` tests called the service: a search of nothing finds nothing."""
    wanted = {1: ("answer", "log"), _WHOLE: ("error", "figures")}
    there = {piece.kind for piece in pieces}
    return [
        f"nothing of the kind '{kind}' was gathered, though {asked} tests called the service"
        for least, kinds in wanted.items()
        if asked >= least
        for kind in kinds
        if kind not in there
    ]


def leaks(pieces: list[Piece]) -> list[str]:
    """Each identifier with the first place where it is shown."""
    sent = (Identifier(*piece.text.split("\t", 1)) for piece in pieces if piece.kind == "identifier")
    search = Search({*of_the_fixtures(), *sent})
    first: dict[tuple[str, Identifier], Piece] = {}
    for piece in pieces:
        if piece.kind in SEARCHED:
            for identifier in search.found_in(piece.text):
                if piece.kind == "held" and identifier.kind in RECORDS:
                    continue
                first.setdefault((piece.kind, identifier), piece)
    return [
        f"{kind}: {one.kind} {one.text!r} in {piece.test}: {_around(piece.text, one.text)}"
        for (kind, one), piece in sorted(first.items(), key=lambda found: found[0])
    ]


def _around(text: str, shown: str) -> str:
    place = text.index(shown)
    return repr(text[max(0, place - 100) : place + len(shown) + 60])
