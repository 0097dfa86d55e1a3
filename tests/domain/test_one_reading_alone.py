"""A slip of the pen and what is read or stated after it (DESIGN 4 'One reading alone').

`adult-single`, connected 06:00 at 0, 300 read at 07:00 and 30 at 08:00. Worked by hand for each test: were the 30
right, the unit would have been changed, and what the next level tells decides.
"""

from __future__ import annotations

import itertools

import pytest

from tests.domain.test_two_at_once import found, in_every_order
from tests.journals.books import outputs, total
from tests.journals.raw import level

SLIP = (level("07:00", 300), level("08:00", 30))


@pytest.mark.parametrize(("low", "high"), list(itertools.permutations("ab")))
def test_of_two_at_once_the_one_that_would_count_judges_the_reading_before(low: str, high: str) -> None:
    """32 and 320 at 09:00, then 318 and 330: without the 30 it is the 320 that counts, for 32 alone would make the
    level fall. So 30 and 32 are slips, and what came is 330: at least, as always where one reading is set aside."""
    both = [level("09:00", 32, id=low), level("09:00", 320, id=high)]
    ledger = in_every_order([*SLIP, *both, level("10:00", 318), level("11:00", 330)])
    assert (outputs(ledger), total(ledger)) == (["300", ">=20", "0", "10"], ">=330")
    told = {height: codes for height, codes in found(ledger).items() if codes}
    assert told == {30: ["suspected-misread"], 32: ["readings-disagree"], 318: ["within-reading-tolerance"]}


def test_where_both_at_once_would_be_low_the_unit_was_changed() -> None:
    """32 and 34 at 09:00: two more that say so, and 340 at 10:00 has run in since. 300, unknown, 2, 308."""
    both = [level("09:00", 32, id="a"), level("09:00", 34, id="b")]
    ledger = in_every_order([*SLIP, *both, level("10:00", 340)])
    assert (outputs(ledger), total(ledger)) == (["300", "?", "2", "308"], ">=610")


@pytest.mark.parametrize(("last", "wanted"), [("16:00", ">=330"), ("16:01", ">=600")])
def test_it_looks_eight_hours_ahead(last: str, wanted: str) -> None:
    """08:00 300, 09:00 30, 12:00 32 and 320: four hours after the first, and which of the two counts is told by what is
    read within four hours more. Later than that the lower stands: 300, unknown, 2, 298."""
    both = [level("12:00", 32, id="a"), level("12:00", 320, id="b")]
    ledger = in_every_order([level("08:00", 300), level("09:00", 30), *both, level(last, 330)])
    assert total(ledger) == wanted
