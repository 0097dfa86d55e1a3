"""`GET /{type}/{id}/_history` and `GET /{type}/_history` (R4 http.html#history)."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
