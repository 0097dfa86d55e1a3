"""The services of tests/web_fhir, for what stands behind them."""

from __future__ import annotations

from tests.web_fhir.conftest import journals, ward

__all__ = ["journals", "ward"]
