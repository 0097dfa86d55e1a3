"""What `drainledger db check --resources` does, tenant by tenant."""

from __future__ import annotations

from collections.abc import Iterator

from drainledger.intake.verifying import differing
from drainledger.mapping import load_mappings
from drainledger.settings import Settings
from drainledger.store.store import Store
from drainledger.web.serve import Renderers


def verify_all(settings: Settings) -> Iterator[str]:
    """A line a resource that is not what the journal gives. Raises StoreFault, MappingError."""
    mappings = load_mappings(settings.mappings)
    renderers = Renderers(settings, mappings)
    store = Store.open(settings.database.get_secret_value())
    try:
        for tenant in store.tenants():
            for one in differing(store, mappings.rules, renderers.of(tenant), tenant):
                yield f"{one} (tenant {tenant})"
    finally:
        store.close()
