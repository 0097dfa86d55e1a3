"""Independent recomputation with pandas: intervals, totals, rates and rolling windows of generated journals.

Written from the text of DESIGN 4; shares no code with the ledger. The formulation differs on purpose: within a chain
of levels that no unexplained fall breaks, what has come out is the running maximum of level + all drawn so far, and
the outputs are its differences. Deviations come from the package `uncertainties`: one variable a level, totals as
sums, correlations left to the package (JCGM 100:2008, 5.1.2 and 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any, NamedTuple, TypeAlias

import pandas as pd
from uncertainties import UFloat, std_dev, ufloat

from tests.journals.anchors import Drained, Segment, drained
from tests.journals.raw import Raw

#: A level as a variable with its resolution, or a number that is known.
Level: TypeAlias = UFloat | float


class Base(NamedTuple):
    """The level to reckon from, as it stands after what was drawn, and had nothing been drawn. Tenths of a mL."""

    level: int
    effective: int


_FOUR_HOURS = timedelta(hours=4)
_HALF_HOUR = timedelta(minutes=30)

#: A row of the answer: who ends it, its period, output (tenths of a mL, None if unknown) and bound, sums to then.
COLUMNS = ["place", "owner", "start", "end", "output", "bound", "deviation", "step"]


def ledger_frame(drain: Drained) -> pd.DataFrame:
    """One row an interval of a drain, in order, with totals, irrigant, net and rates."""
    rows = [row for segment in drain.segments for row in segment_rows(segment)]
    rows += amount_rows(drain)
    frame = pd.DataFrame(rows, columns=COLUMNS)
    frame["total"] = frame["output"].fillna(0).astype("int64").cumsum()
    frame["lower_bound"] = (frame["bound"] != "exact").cumsum() > 0
    irrigated = pd.Series([_irrigated_by(drain, place) for place in frame["place"]], dtype="int64")
    frame["net"] = frame["total"] - irrigated
    frame["irrigant"] = irrigated - irrigated.shift(fill_value=0)
    frame["total_deviation"] = _total_deviations(frame)
    frame["rate"] = _rates(frame, None)
    frame["rate_per_weight"] = _rates(frame, drain)
    return frame


def rows_of(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows as named tuples, whose fields the type checker can't know."""
    return iter(frame.itertuples())


def ledgers(raws: Iterable[Raw]) -> dict[str, pd.DataFrame]:
    """The frame of every drain of a journal."""
    return {name: ledger_frame(drain) for name, drain in drained(raws).items()}


# --- levels ----------------------------------------------------------------------------------------------------


def segment_rows(segment: Segment) -> list[dict[str, Any]]:
    """The intervals of one undisturbed stretch of one chamber."""
    anchors, spanned = _without_slips(segment, _without_contradicted(segment, segment.anchors))
    frame = pd.DataFrame(anchors).astype({"level": "Int64"})
    frame["spanned"] = [place in spanned for place in frame["place"]]
    frame["stated"] = [_drawn_by(segment, place) for place in frame["place"]]
    frame["unstated"] = [_unstated_by(segment, place) for place in frame["place"]]
    lost = frame["unstated"].diff().fillna(0) > 0
    frame["effective"] = frame["level"] + frame["stated"]
    frame["chain"], frame["full"], before = _chains(segment, anchors, lost)
    frame["raised"] = frame.groupby("chain")["effective"].cummax()
    output = frame.groupby("chain")["raised"].diff()
    rows: list[dict[str, Any]] = []
    bases = _bases(segment, frame)
    unspent: Level = (
        0.0  # the step of what is no interval, having no duration and no output, goes to the next
    )
    doubts = list(segment.doubts)
    for i in range(1, len(frame)):
        row: Any = frame.iloc[i]
        doubted = any(place < row["place"] for place in doubts)
        known = not pd.isna(output.iloc[i])
        value = int(output.iloc[i]) if known else _certain(segment, anchors, i, before[i])
        exact = known and not row["full"] and not row["spanned"] and not doubted
        step = unspent + bases[i][0] - bases[i - 1][0] if exact else None
        start, end = anchors[i - 1]["at"], anchors[i]["at"]
        if start == end and not value:
            unspent = 0.0 if step is None else step
            continue
        unspent = 0.0
        doubts = [place for place in doubts if place > row["place"]]
        rows.append(
            {
                "place": int(row["place"]),
                "owner": row["id"],
                "start": start,
                "end": end,
                "output": value,
                "bound": "exact" if exact else "unknown" if value is None else "at-least",
                "deviation": std_dev(bases[i][1] - bases[i - 1][0]) if exact else None,
                "step": step,
            }
        )
    return rows


def _without_contradicted(segment: Segment, anchors: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Readings that the level stated for a change of their own minute contradicts are not used."""
    stated = {a["at"]: a["stated"] for a in anchors if a["kind"] == "close" and a["level"] is not None}
    return [
        a
        for a in anchors
        if a["kind"] != "read"
        or a["at"] not in stated
        or abs(a["stated"] - stated[a["at"]]) <= segment.tolerance(max(a["stated"], stated[a["at"]]))
    ]


def _by_instant(anchors: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """The readings of one instant together, the lowest as charted first, then by id; of all else each for itself."""
    groups: list[list[dict[str, Any]]] = []
    for anchor in anchors:
        last = groups[-1][-1] if groups else None
        if last is not None and last["kind"] == anchor["kind"] == "read" and last["at"] == anchor["at"]:
            groups[-1].append(anchor)
        else:
            groups.append([anchor])
    return [sorted(group, key=lambda anchor: (anchor["stated"] or 0, anchor["id"])) for group in groups]


def _without_slips(segment: Segment, anchors: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], set[int]]:
    """One reading an instant, and single misreadings set aside, left to right; also tells the places whose interval
    spans one that is.

    "a to c" is the interval that would stand: from the level that is the baseline at a, which may be a little older;
    "b to c" compares what was read. Of two readings at one instant the lower stands, unless it alone makes the level
    fall and the other does not (one priority here). What is read next is likewise the one that would stand, were b not
    there.
    """
    kept: list[dict[str, Any]] = []
    spanned: set[int] = set()
    base: Base | None = None
    groups = _by_instant(anchors)
    for group, after, beyond in zip(groups, [*groups[1:], []], [*groups[2:], [], []], strict=False):
        a = kept[-1] if kept else None
        b = _counts(segment, a, base, group, after)
        c = _counts(segment, a, base, after, beyond) if _tells(group, after) else None
        alone = _alone(segment, a, base, b, c)
        between_readings = a is not None and a["kind"] == b["kind"] == "read"
        if c is not None and between_readings and alone and c["at"] - kept[-1]["at"] <= _FOUR_HOURS:
            spanned.add(c["place"])
            continue
        gap = a is not None and _unstated_by(segment, b["place"]) > _unstated_by(segment, a["place"])
        base = _next_base(segment, None if gap else base, b)
        kept.append(b)
    # An interval that ends at a reading set aside in its turn hands the mark on to the next anchor.
    places = [anchor["place"] for anchor in kept]
    return kept, {next(place for place in places if place >= mark) for mark in spanned}


def _tells(group: list[dict[str, Any]], after: list[dict[str, Any]]) -> bool:
    """Whether what comes next tells of the readings before it: readings do, and the level stated for an act or a change
    that comes later than they."""
    if not after or after[0]["level"] is None:
        return False
    return bool(after[0]["kind"] == "read" or after[0]["at"] > group[0]["at"])


def _counts(
    segment: Segment,
    a: dict[str, Any] | None,
    base: Base | None,
    group: list[dict[str, Any]],
    after: list[dict[str, Any]],
) -> Any:
    """Which of an instant's readings stands after a: the first that does not alone make the level fall before what is
    read within four hours more."""
    soon = _tells(group, after) and after[0]["at"] - group[0]["at"] <= _FOUR_HOURS
    next_ = after[0] if soon else None
    fits = [each for each in group if not _alone(segment, a, base, each, next_)]
    return fits[0] if fits else group[0]


def _alone(
    segment: Segment,
    a: dict[str, Any] | None,
    base: Base | None,
    b: dict[str, Any],
    c: dict[str, Any] | None,
) -> bool:
    """Whether b alone makes the level fall between a and c."""
    if a is None or base is None or c is None or b["level"] is None:
        return False
    explained = _unstated_by(segment, c["place"]) > _unstated_by(segment, a["place"])
    falls = _falls(segment, base, b) or _falls(segment, _own_base(segment, b), c, base.level)
    return falls and not explained and not _falls(segment, base, c)


def _certain(segment: Segment, anchors: list[dict[str, Any]], i: int, base: int | None) -> int | None:
    """What came for certain in an interval whose output is not known: samples, which are taken from the tube, and of
    the blood given back what goes beyond the level that was there."""
    first, last = anchors[i - 1]["place"], anchors[i]["place"]
    taken = [t for t in segment.drawn if first <= t["place"] < last]
    sampled = sum(t["volume"] or 0 for t in taken if not t["back"])
    back = sum(t["volume"] or 0 for t in taken if t["back"])
    return sampled + (max(back - base, 0) if base is not None else 0) or None


def _effective(segment: Segment, anchor: dict[str, Any]) -> int:
    """The level had nothing been drawn from this stretch of the chamber."""
    return int(anchor["level"]) + _drawn_by(segment, anchor["place"])


def _falls(segment: Segment, base: Base | None, anchor: dict[str, Any], beside: int = 0) -> bool:
    """Whether a level lies below the baseline by more than the tolerance at the greatest of the levels looked at."""
    if base is None or anchor["level"] is None:
        return False
    tolerance = segment.tolerance(max(base.level, int(anchor["level"]), beside))
    return _effective(segment, anchor) - base.effective < -tolerance


def _own_base(segment: Segment, anchor: dict[str, Any]) -> Base:
    return Base(int(anchor["level"]), _effective(segment, anchor))


def _next_base(segment: Segment, base: Base | None, anchor: dict[str, Any]) -> Base | None:
    """The baseline after an anchor: the higher of the two, but for a fall that nothing explains."""
    if anchor["level"] is None:
        return None
    own = _own_base(segment, anchor)
    keeps = base is not None and own.effective < base.effective and not _falls(segment, base, anchor)
    if base is None or not keeps:
        return own
    return Base(base.effective - _drawn_by(segment, anchor["place"]), base.effective)


def _chains(
    segment: Segment, anchors: list[dict[str, Any]], lost: pd.Series[bool]
) -> tuple[list[int], list[bool], list[int | None]]:
    """Numbers the chains: a new one wherever the output is not known. Also tells which intervals say no more than "at
    least" because the chamber was or may have been full, and the level that stood before each anchor."""
    chain, chains, full, before = 0, [], [], list[int | None]()
    base: Base | None = None
    place = -1
    for anchor, gap in zip(anchors, lost, strict=True):
        before.append(base.level if base is not None else None)
        if base is None or gap or anchor["level"] is None or _falls(segment, base, anchor):
            base, chain = None, chain + 1
        was_full = base is not None and base.level == segment.capacity
        drawn = _drawn_by(segment, anchor["place"]) - (_drawn_by(segment, place) if place >= 0 else 0)
        reached = base is not None and (anchor["level"] or 0) + drawn >= segment.capacity
        chains.append(chain)
        full.append(anchor["level"] == segment.capacity or was_full or reached)
        base, place = _next_base(segment, base, anchor), anchor["place"]
    return chains, full, before


def _bases(segment: Segment, frame: pd.DataFrame) -> list[tuple[Level, Level]]:
    """For each anchor, the level to reckon from after it and its own level, as variables with their resolution."""
    bases: list[tuple[Level, Level]] = []
    for i, row in enumerate(rows_of(frame)):
        own = _variable(segment, row)
        keeps = i > 0 and frame["chain"].iloc[i - 1] == row.chain and row.raised > row.effective
        bases.append((bases[i - 1][0] if keeps else own, own))
    return bases


def _variable(segment: Segment, row: Any) -> Level:
    """A level read to a graduation g has standard deviation g/sqrt(12) (JCGM 100:2008, 4.3.7); a start of 0, none."""
    if pd.isna(row.level):
        return math.nan
    level = int(row.level)
    if row.kind == "open" and level == 0:
        return 0.0
    return ufloat(level / 10, segment.step(level) / 10 / math.sqrt(12))


def _drawn_by(segment: Segment, place: int) -> int:
    return sum(taken["volume"] or 0 for taken in segment.drawn if taken["place"] < place)


def _unstated_by(segment: Segment, place: int) -> int:
    return sum(taken["volume"] is None for taken in segment.drawn if taken["place"] < place)


# --- amounts ---------------------------------------------------------------------------------------------------


def amount_rows(drain: Drained) -> list[dict[str, Any]]:
    """Each amount counts over (from, at], without `from` since the one before; the first may have no start."""
    if not drain.amounts:
        return []
    frame = pd.DataFrame(drain.amounts)
    before = frame["at"].shift()
    start = frame["began"].where(frame["began"].notna(), before)
    rows = []
    for taken, began in zip(drain.amounts, start, strict=True):
        begins = None if pd.isna(began) else began
        if taken["volume"] == 0 and begins == taken["at"]:
            continue
        rows.append(
            {
                "place": taken["place"],
                "owner": taken["id"],
                "start": begins,
                "end": taken["at"],
                "output": taken["volume"],
                "bound": "exact",
                "deviation": None,
                "step": None,
            }
        )
    return rows


# --- sums ------------------------------------------------------------------------------------------------------


def _irrigated_by(drain: Drained, place: int) -> int:
    return sum(volume for where, volume in drain.irrigations if where < place)


def _weight_at(drain: Drained, place: int) -> Decimal | None:
    return next((weight for where, weight in reversed(drain.weights) if where < place), Decimal(0)) or None


def _total_deviations(frame: pd.DataFrame) -> list[float | None]:
    """Of the sum of all outputs to then; none where one of them has none."""
    found: list[float | None] = []
    total: Level | None = 0.0
    for step in frame["step"]:
        total = total + step if total is not None and step is not None else None
        found.append(None if total is None else float(std_dev(total)))
    return found


def _rates(frame: pd.DataFrame, weighed: Drained | None) -> pd.Series[Any]:
    """mL/h to 0.1 or, by the weights of a drain, mL/kg/h to 0.01."""
    rates: list[Decimal | None] = []
    for row in rows_of(frame):
        weight = Decimal(1) if weighed is None else _weight_at(weighed, row.place)
        rates.append(None if weight is None else _rate(row, weight, 1 if weighed is None else 2))
    return pd.Series(rates, dtype="object")


def _rate(row: Any, divisor: Decimal, places: int) -> Decimal | None:
    """Half to even; none under half an hour."""
    if pd.isna(row.output) or pd.isna(row.start) or row.end - row.start < _HALF_HOUR:
        return None
    hours = Fraction(int((row.end - row.start).total_seconds()), 3600)
    return rounded(Fraction(int(row.output), 10) / hours / Fraction(divisor), places)


def rounded(value: Fraction, places: int) -> Decimal:
    """Half to even; Python's own round() of a Fraction is exact."""
    return Decimal(round(value, places).numerator) / Decimal(round(value, places).denominator)


def rolling(frame: pd.DataFrame, start: datetime, end: datetime) -> tuple[Decimal, Decimal]:
    """Output and net, in mL to 0.1, of (start, end]: C(end) - C(start)."""
    gross = _cumulative(frame, frame["output"], end) - _cumulative(frame, frame["output"], start)
    irrigant = _cumulative(frame, frame["irrigant"], end) - _cumulative(frame, frame["irrigant"], start)
    return rounded(gross / 10, 1), rounded((gross - irrigant) / 10, 1)


def _cumulative(frame: pd.DataFrame, amounts: pd.Series[Any], until: datetime) -> Fraction:
    """C: all that ended by then, and of the interval that goes on the share by time."""
    ended = int(frame["end"].searchsorted(pd.Timestamp(until), side="right"))
    whole = Fraction(int(amounts.iloc[:ended].fillna(0).sum()))
    if ended == len(frame):
        return whole
    row: Any = frame.iloc[ended]
    begins, ends, amount = row["start"], row["end"], amounts.iloc[ended]
    if pd.isna(amount) or pd.isna(begins) or begins >= until:
        return whole
    second = timedelta(seconds=1)
    return whole + int(amount) * Fraction((until - begins) // second, (ends - begins) // second)
