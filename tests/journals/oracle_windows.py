"""Independent recomputation with pandas of charted windows (DESIGN 4 'Totals'), those of `tests.journals.rules`:
ward days from 07:00 to 07:00, shifts from 07:00 to 19:00 and from 19:00 to 07:00, on the clocks of Lisbon."""

from __future__ import annotations

from decimal import Decimal

import pandas as pd

_ZONE = "Europe/Lisbon"
_GRACE = pd.Timedelta(minutes=30)
_SHIFTS = {7: "day", 19: "night"}

#: Name and start of a window.
Name = tuple[str, pd.Timestamp]


def charted(frame: pd.DataFrame) -> dict[Name, tuple[Decimal, Decimal, str]]:
    """Total, net (mL) and bound of every charted window that has an interval; `frame` is the oracle's ledger."""
    if frame.empty:
        return {}
    shifts = _boundaries(frame, (7, 19))
    found = _sums(frame, shifts, [_SHIFTS[hour] for hour in shifts.tz_convert(_ZONE).hour])
    days = _boundaries(frame, (7,))
    return found | _sums(frame, days, ["ward-day"] * len(days))


def _boundaries(frame: pd.DataFrame, hours: tuple[int, ...]) -> pd.DatetimeIndex:
    """The wall times at which windows begin, from two days before the first interval to the last, as instants."""
    first = frame["end"].min().tz_convert(_ZONE).tz_localize(None).normalize() - pd.Timedelta(days=2)
    last = frame["end"].max().tz_convert(_ZONE).tz_localize(None)
    days = pd.date_range(first, last, freq="D")
    walls = [day + pd.Timedelta(hours=hour) for day in days for hour in hours]
    return pd.DatetimeIndex(sorted(walls)).tz_localize(_ZONE).tz_convert("UTC")


def _sums(
    frame: pd.DataFrame, boundaries: pd.DatetimeIndex, names: list[str]
) -> dict[Name, tuple[Decimal, Decimal, str]]:
    """An interval is charged by its end to (start, end]; one that ends within the grace after a boundary, with most
    of it before, to the window that the boundary ends."""
    place = boundaries.searchsorted(pd.DatetimeIndex(frame["end"]), side="left") - 1
    after = frame["end"] - pd.Series(boundaries[place], index=frame.index)
    length = frame["end"] - frame["start"]
    handover = (after <= _GRACE) & (length > 2 * after)
    charged = pd.Series(place, index=frame.index) - handover.astype("int64")
    found: dict[Name, tuple[Decimal, Decimal, str]] = {}
    for slot, rows in frame.groupby(charged):
        number = int(str(slot))
        total = int(rows["output"].fillna(0).sum())
        net = total - int(rows["irrigant"].sum())
        bound = "exact" if (rows["bound"] == "exact").all() else "at-least"
        found[(names[number], boundaries[number])] = (Decimal(total) / 10, Decimal(net) / 10, bound)
    return found
