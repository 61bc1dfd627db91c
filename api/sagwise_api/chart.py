"""A ride's chart over HTTP. Law: the bytes are `domain.chart`'s; here is only what HTTP adds to them."""

from __future__ import annotations

import hashlib

MEDIA_TYPE = "application/vnd.sagwise.chart"


def etag(body: bytes) -> str:
    return f'"{hashlib.blake2b(body, digest_size=12).hexdigest()}"'
