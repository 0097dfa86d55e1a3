"""Resources as one Bundle, written as a stream (R4 bundle.html, http.html#transaction).

A transaction puts each resource under our own id (`PUT Type/id`), which makes it idempotent on a server that lets
clients choose ids (CapabilityStatement updateCreate).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Literal

from drainledger.fhir.fragments import quote
from drainledger.fhir.resource import DuplicateResource, Resource


def bundle(
    kind: Literal["collection", "transaction"], resources: Iterable[Resource], *, base: str
) -> Iterator[bytes]:
    """Chunks of one Bundle, without a newline. `base` is the URL of the server that holds or will hold the resources.

    Raises DuplicateResource where one identity comes twice. An empty Bundle has no `entry`, since no array is empty.
    """
    yield b'{"resourceType":"Bundle","type":"%s"' % kind.encode()
    seen: set[str] = set()
    for resource in resources:
        reference = resource.reference
        if reference in seen:
            raise DuplicateResource(reference)
        yield b"," if seen else b',"entry":['
        seen.add(reference)
        yield b'{"fullUrl":%s,"resource":' % quote(f"{base}/{reference}").encode()
        yield resource.body
        if kind == "transaction":
            yield b',"request":{"method":"PUT","url":%s}' % quote(reference).encode()
        yield b"}"
    yield b"]}" if seen else b"}"
