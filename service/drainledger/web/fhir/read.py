"""`GET /{type}/{id}` and `GET /{type}/{id}/_history/{version}` (R4 http.html#read, #vread, #cread)."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
