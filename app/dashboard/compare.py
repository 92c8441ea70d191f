"""Two photos one over the other with a line to draw aside: the same picture that the customer's page has.

In: two JPEGs with their labels. Out: the picture on the screen, moved by finger, mouse or arrow keys, in the browser
alone: nothing is sent back.
"""

from __future__ import annotations

import base64
import functools
from pathlib import Path
from typing import Any

import streamlit as st

import app.report
from app.dashboard.speech import _

START = """
export default function({ parentElement, data }) {
  const place = parentElement.querySelector(".tb-compare");
  const shown = data.before.length + data.beforeLabel + data.now.length + data.nowLabel;
  if (place.dataset.shown === shown) return;
  place.dataset.shown = shown;
  buildCompare(place, data);
}
"""
"""What Streamlit calls with the data; the picture is built anew only where another is asked for."""


@functools.cache
def _component() -> Any:
    """Return the component, made known once."""
    folder = Path(app.report.__file__).parent
    css, js = ((folder / name).read_text(encoding="utf-8") for name in ("compare.css", "compare.js"))
    return st.components.v2.component("turnblue_compare", html='<div class="tb-compare"></div>', css=css, js=js + START)


def show_compare(before: bytes, before_label: str, now: bytes, now_label: str, *, key: str) -> None:
    """Show two JPEGs, the earlier over the later; `key` tells one such picture of a page from another."""
    _component()(
        key=key,
        data={
            "before": _address(before),
            "now": _address(now),
            "beforeLabel": before_label,
            "nowLabel": now_label,
            "label": _("Slide between the two photos"),
        },
    )


def _address(jpeg: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"
