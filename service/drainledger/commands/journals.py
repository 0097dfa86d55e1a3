"""What commands do with every tenant's whole journal: judge it by other mappings, compare what is stored with it."""

from __future__ import annotations

import getpass
from collections.abc import Iterator

from drainledger.domain.collectors import Rules
from drainledger.fhir import Renderer
from drainledger.intake.refolding import Refolded, Refolding
from drainledger.intake.verifying import differing
from drainledger.mapping import load_mappings
from drainledger.settings import Settings
from drainledger.store.errors import UnknownTenant
from drainledger.store.store import Store
from drainledger.web.serve import Renderers, now


def refold_all(settings: Settings, *, tenant: str | None, dry_run: bool) -> Iterator[tuple[int, list[str]]]:
    """A commit at a time: how many drains it judged anew, and a line a (tenant, drain, kind) that it changed.

    Raises StoreFault, MappingError, OtherIds.
    """
    principal = f"cli:{getpass.getuser()}"
    for each, store, rules, renderer in _tenants(settings, tenant):
        refolding = Refolding(store, rules, renderer, tenant=each, principal=principal, clock=now)
        for one in refolding.run(dry_run=dry_run):
            yield len(one.drains), _lines(each, one)


def verify_all(settings: Settings) -> Iterator[str]:
    """A line a resource that is not what the journal gives. Raises StoreFault, MappingError, OtherIds."""
    for each, store, rules, renderer in _tenants(settings):
        for one in differing(store, rules, renderer, each):
            yield f"{one} (tenant {each})"


def _tenants(settings: Settings, tenant: str | None = None) -> Iterator[tuple[str, Store, Rules, Renderer]]:
    """Every tenant, or one, with its store, the rules in force and its renderer. Raises UnknownTenant."""
    mappings = load_mappings(settings.mappings)
    renderers = Renderers(settings, mappings)
    store = Store.open(settings.database.get_secret_value())
    try:
        known = store.tenants()
        if tenant is not None and tenant not in known:
            raise UnknownTenant(tenant)
        for each in known if tenant is None else [tenant]:
            yield each, store, mappings.rules, renderers.of(each)
    finally:
        store.close()


def _lines(tenant: str, refolded: Refolded) -> list[str]:
    return [
        f"{tenant}\t{drain or '-'}\t{kind}\t{count}"
        for (drain, kind), count in sorted(refolded.changed.items())
    ]
