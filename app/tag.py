"""What a pool's printed tag holds: an opaque code made from the pool's id, alone or in the dashboard's address.

In: a pool's id, or the text of a QR code. Out: the tag's text, or the code in it. Pure. The code is a hash, so that a
tag hung in a garden tells nothing, not even a pool's short name; the same pool always has the same tag.
"""

from __future__ import annotations

import hashlib
import re

SCHEME = "turnblue:pool:"
"""Begins a tag's text where no address of a dashboard is known."""

CODE_LETTERS = "0123456789abcdefghjkmnpqrstvwxyz"
"""Letters of a code: 32, without those read for another (i, l, o, u)."""

CODE_LENGTH = 12
"""Letters in a code (60 bits): among a million pools two share one by a chance of one in two million."""

_CODE = re.compile(
    rf"(?:{SCHEME}|^https?://[^\s?#]+/visit\?(?:[^\s#]*&)?tag=)([{CODE_LETTERS}]{{{CODE_LENGTH}}})(?![\w])"
)


def tag_code(pool_id: str) -> str:
    """Return the code of a pool's tag.

    Examples
    --------
    >>> tag_code("oak") == tag_code("oak"), len(tag_code("oak")), "oak" in tag_code("oak")
    (True, 12, False)
    """
    number = int.from_bytes(hashlib.sha256(f"turnblue tag 1 {pool_id}".encode()).digest()[:8], "big") >> 4
    return "".join(CODE_LETTERS[(number >> (5 * place)) & 31] for place in reversed(range(CODE_LENGTH)))


def tag_text(pool_id: str, address: str = "") -> str:
    """Return what a pool's tag holds: with the dashboard's address, a link to the pool's new visit.

    Parameters
    ----------
    address : str
        Where the dashboard is reached, "https://pools.example"; empty where it is not known.

    Examples
    --------
    >>> tag_text("oak").startswith("turnblue:pool:"), tag_text("oak", "https://pools.example/")[:32]
    (True, 'https://pools.example/visit?tag=')
    """
    code = tag_code(pool_id)
    return f"{address.rstrip('/')}/visit?tag={code}" if address else SCHEME + code


def code_in(text: str) -> str | None:
    """Return the code in a QR code's text, None where it is no tag of ours.

    Examples
    --------
    >>> code_in(tag_text("oak")) == code_in(tag_text("oak", "http://localhost:8501")) == tag_code("oak")
    True
    >>> code_in("https://example.org/visit?page=2") is None
    True
    """
    found = _CODE.search(text.strip())
    return found.group(1) if found else None
