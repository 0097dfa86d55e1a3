"""What the token endpoint and the guard share, made once."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING

from drainledger.settings import Settings
from drainledger.store.store import Store
from drainledger.web.oauth.access_tokens import AccessTokens

if TYPE_CHECKING:
    from drainledger.web.oauth.assertions import Assertions


class OAuth:
    """Tokens given out here, and the assertions that they are given for."""

    def __init__(self, settings: Settings, store: Store, clock: Callable[[], datetime]) -> None:
        self._settings, self._store, self._clock = settings, store, clock
        secret = settings.patient_secret
        # Without one it is a demonstration, which is one process.
        raw = secrets.token_bytes(32) if secret is None else secret.get_secret_value().encode()
        self.tokens = AccessTokens(store, raw, clock)

    @cached_property
    def assertions(self) -> Assertions:
        # Cryptography takes a while to load, and a service without clients never needs it.
        from drainledger.web.oauth.assertions import Assertions

        return Assertions(self._store, self._clock, self._settings.jwt_leeway_seconds)
