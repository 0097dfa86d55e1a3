"""What every answer carries: the caution, headers against misuse by browsers, and whether the service stands open."""

from __future__ import annotations

from typing import Final

CAUTION: Final = (
    "Not a medical device, not an alarm. Check the patient; local policy and licensed practice decide."
)
CAUTION_HEADER: Final = "Drainledger-Caution"
DEMO_HEADER: Final = "Drainledger-Demo"
REQUEST_HEADER: Final = "Drainledger-Request"

#: OWASP, 'HTTP Security Response Headers Cheat Sheet' and 'REST Security Cheat Sheet'. Nothing here is a page that
#: loads anything, so nothing may be loaded.
_ALWAYS: Final = {
    CAUTION_HEADER: CAUTION,
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
}
_SECURED: Final = {"Strict-Transport-Security": "max-age=31536000"}

Headers = list[tuple[bytes, bytes]]


def common_headers(*, demo: bool, secured: bool) -> Headers:
    """As ASGI sends them. `secured`: the request came by https, here or at the proxy."""
    headers = dict(_ALWAYS)
    if secured:
        headers |= _SECURED
    if demo:
        headers[DEMO_HEADER] = "open"
    return [(name.lower().encode(), value.encode()) for name, value in headers.items()]
