"""Figures for the monitoring (Prometheus text): counts and times by route template, never by drain or patient."""

from __future__ import annotations

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.exposition import CONTENT_TYPE_LATEST

MEDIA_TYPE = CONTENT_TYPE_LATEST
_SECONDS = (0.002, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30)
_METHODS = frozenset({"GET", "POST", "PUT", "PATCH", "DELETE", "HEAD", "OPTIONS"})


def known_method(method: str) -> str:
    """`other` for one that HTTP does not know: callers can't put a name of their own in labels or log lines."""
    return method if method in _METHODS else "other"


class Metrics:
    """The figures of one running service, in a registry of its own."""

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        self._requests = Counter(
            "drainledger_requests",
            "Requests answered",
            ["method", "route", "status"],
            registry=self._registry,
        )
        self._seconds = Histogram(
            "drainledger_request_seconds",
            "Time from a request's head to its answer's end",
            ["route"],
            buckets=_SECONDS,
            registry=self._registry,
        )
        self._records = Counter(
            "drainledger_records", "Records answered", ["status"], registry=self._registry
        )
        self._refused = Counter(
            "drainledger_refused", "Calls refused, by problem", ["code"], registry=self._registry
        )
        self.in_flight = Gauge("drainledger_in_flight", "Requests begun, not ended", registry=self._registry)
        self.body_bytes = Gauge(
            "drainledger_body_bytes", "Bytes of request bodies in memory", registry=self._registry
        )

    def answered(self, method: str, route: str, status: int, seconds: float) -> None:
        """One request."""
        self._requests.labels(known_method(method), route, str(status)).inc()
        self._seconds.labels(route).observe(seconds)

    def refused(self, code: str) -> None:
        self._refused.labels(code).inc()

    def records(self, status: str, count: int) -> None:
        if count:
            self._records.labels(status).inc(count)

    def text(self) -> bytes:
        return generate_latest(self._registry)
