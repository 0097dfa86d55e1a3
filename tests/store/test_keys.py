"""API keys: what opens, what doesn't, and what of them is kept."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select

from drainledger.store import keys
from drainledger.store.errors import KeyRefused, UnknownKey
from drainledger.store.schema import api_keys
from drainledger.store.store import Store
from tests.store.samples import NOON, TENANT

DAY = timedelta(days=1)


def made(store: Store, **more: object) -> tuple[str, keys.KeyRow]:
    options: dict[str, object] = {"source": "ward", "scopes": ("records.write", "read"), "now": NOON, **more}
    return keys.create(store, str(options.pop("tenant", TENANT)), **options)  # type: ignore[arg-type]  # as the test gives them


def refused(store: Store, text: str, now: object = NOON) -> str:
    with pytest.raises(KeyRefused) as caught:
        keys.verify(store, text, now)  # type: ignore[arg-type]  # a datetime
    return caught.value.reason


def test_a_key_opens_what_it_was_made_for(store: Store) -> None:
    text, row = made(store, note="tablet in W3")
    assert text.startswith(f"dl_{TENANT}_{row.key_id}_")
    assert keys.verify(store, text, NOON + 999 * DAY) == row
    assert (row.source, row.scopes, row.note) == (
        "ward",
        frozenset({"records.write", "read"}),
        "tablet in W3",
    )


def test_the_secret_is_not_kept(store: Store) -> None:
    text, _ = made(store)
    secret = text.rsplit("_", 1)[1]
    with store.database.read() as connection:
        row = connection.execute(select(api_keys)).one()
    assert len(secret) * 5 >= 256
    assert all(
        secret not in str(value) and secret.encode() not in bytes(str(value), "utf-8") for value in row
    )
    assert secret.encode() not in row.hash


def test_an_underscore_in_a_tenant_leads_nowhere_else(store: Store) -> None:
    text, row = made(store, tenant="north_west")
    assert keys.verify(store, text, NOON).tenant == "north_west"
    assert refused(store, text.replace("north_west", "north")) == "unknown"
    assert row.tenant == "north_west"


LONG = "0" * 52


@pytest.mark.parametrize(
    "text",
    [
        *("", "dl", "dl_", "dl_north", "dl_north_id", "dl_north_id_short"),
        *(
            f"dl__id_{LONG}",
            f"xx_n_id_{LONG}",
            f"dl_n\0_id_{LONG}",
            f"dl_nörd_id_{LONG}",
            f"dl_n_id_{LONG * 2000}",
        ),
    ],
)
def test_what_is_no_key(store: Store, text: str) -> None:
    assert refused(store, text) == "malformed"


def test_a_changed_secret_id_or_tenant_opens_nothing(store: Store) -> None:
    text, row = made(store)
    other = "1" if text[-1] == "0" else "0"
    assert refused(store, text[:-1] + other) == "wrong-secret"
    assert refused(store, text.replace(row.key_id, "0" * 12)) == "unknown"
    assert refused(store, text.replace(TENANT, "south")) == "unknown"


def test_a_key_ends_when_it_says(store: Store) -> None:
    text, _ = made(store, expires_at=NOON + DAY)
    keys.verify(store, text, NOON + DAY - timedelta(microseconds=1))
    assert refused(store, text, NOON + DAY) == "expired"


def test_a_revoked_key_opens_nothing_again(store: Store) -> None:
    text, row = made(store)
    keys.revoke(store, TENANT, row.key_id, NOON)
    assert refused(store, text) == "revoked"
    assert keys.revoke(store, TENANT, row.key_id, NOON + DAY).revoked_at == NOON
    with pytest.raises(UnknownKey):
        keys.revoke(store, "south", row.key_id, NOON)


def test_rotation_leaves_time_to_change_over(store: Store) -> None:
    text, row = made(store, expires_at=NOON + 30 * DAY)
    fresh, new = keys.rotate(store, TENANT, row.key_id, NOON + 10 * DAY, overlap=DAY)
    keys.verify(store, text, NOON + 11 * DAY - timedelta(seconds=1))
    assert refused(store, text, NOON + 11 * DAY) == "expired"
    assert keys.verify(store, fresh, NOON + 40 * DAY - timedelta(seconds=1)) == new
    assert (new.source, new.scopes, new.expires_at) == (row.source, row.scopes, NOON + 40 * DAY)


def test_rotation_never_lengthens_the_old_key_nor_revives_it(store: Store) -> None:
    _, row = made(store, expires_at=NOON + DAY)
    keys.rotate(store, TENANT, row.key_id, NOON, overlap=9 * DAY)
    assert keys.list_keys(store, TENANT)[0].expires_at == NOON + DAY
    with pytest.raises(KeyRefused, match="expired"):
        keys.rotate(store, TENANT, row.key_id, NOON + DAY, overlap=DAY)


def test_keys_are_listed_by_tenant(store: Store) -> None:
    _, first = made(store)
    _, second = made(store, now=NOON + DAY, source=None)
    _, other = made(store, tenant="south")
    assert keys.list_keys(store, TENANT) == [first, second]
    assert keys.list_keys(store) == [first, second, other]


@pytest.mark.parametrize(
    "options",
    [{"scopes": ()}, {"scopes": ("everything",)}, {"tenant": "a b"}, {"tenant": ""}, {"expires_at": NOON}],
)
def test_what_no_key_can_be_made_of(store: Store, options: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"key|tenant"):
        made(store, **options)
