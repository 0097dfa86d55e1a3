"""mappings/sources.toml, where a site has one: whose reading wins when two of one chamber share an instant."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from drainledger.mapping.files import Model

FILE = "sources.toml"


class SourcesFile(Model):
    priorities: dict[str, Annotated[int, Field(strict=True, ge=-1_000_000, le=1_000_000)]] = Field(
        default_factory=dict
    )
