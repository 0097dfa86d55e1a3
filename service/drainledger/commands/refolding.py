"""What `drainledger db refold --mapping` does, tenant by tenant."""

from __future__ import annotations

import getpass
from collections.abc import Iterator

from drainledger.intake.refolding import Refolded, Refolding
from drainledger.mapping import load_mappings
from drainledger.settings import Settings
from drainledger.store.errors import UnknownTenant
from drainledger.store.store import Store
from drainledger.web.serve import Renderers, now


def refold_all(settings: Settings, *, tenant: str | None, dry_run: bool) -> Iterator[tuple[int, list[str]]]:
    """A commit at a time: how many drains it judged anew, and a line a (tenant, drain, kind) that it changed.

    Raises StoreFault, MappingError, OtherIds.
    """
    mappings = load_mappings(settings.mappings)
    renderers = Renderers(settings, mappings)
    store = Store.open(settings.database.get_secret_value())
    try:
        for each in _tenants(store, tenant):
            refolding = Refolding(
                store,
                mappings.rules,
                renderers.of(each),
                tenant=each,
                principal=f"cli:{getpass.getuser()}",
                clock=now,
            )
            for one in refolding.run(dry_run=dry_run):
                yield len(one.drains), _lines(each, one)
    finally:
        store.close()


def _tenants(store: Store, tenant: str | None) -> list[str]:
    known = store.tenants()
    if tenant is None:
        return known
    if tenant not in known:
        raise UnknownTenant(tenant)
    return [tenant]


def _lines(tenant: str, refolded: Refolded) -> list[str]:
    return [
        f"{tenant}\t{drain or '-'}\t{kind}\t{count}"
        for (drain, kind), count in sorted(refolded.changed.items())
    ]
