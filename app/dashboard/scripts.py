"""Our own scripts in the browser: what Streamlit does not do by itself. Each is a file of its name beside this one.

In: a script's name. Out: a component without a face, put on the page by calling it with a key.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st


@cache
def script(name: str) -> Any:
    """Return a script as a component, made known once."""
    text = Path(__file__).with_name(f"{name}.js").read_text(encoding="utf-8")
    return st.components.v2.component(f"turnblue_{name}", html="<span></span>", js=text)


def begin_at_top(place: str) -> None:
    """Have the page begin at its top where it is another place than the one before."""
    script("scroll")(key="tb-scroll", data={"place": place})
