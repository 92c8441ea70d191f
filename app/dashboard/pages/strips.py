"""The kinds of test strip: those taught, and teaching one by a photo of its color key.

In: the key's photo, what each row reads, the numbers under its swatches. Out: a kind in the log.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

import streamlit as st

from app import strips
from app.config import MAX_PHOTO_MB
from app.dashboard import widgets, words
from app.dashboard.session import Desk
from app.dashboard.speech import _
from app.dashboard.strip_form import PHOTO_KINDS
from app.errors import TurnblueError
from app.words import mark
from vision.errors import VisionError
from vision.strip_key import KeyProposal, Swatch, TypedScale
from vision.tuples import Point

HOW = (
    mark("Lay the bottle's label flat in even light, the card right beside it, and photograph both straight on."),
    mark(
        "Check that each row below shows the key's colors in their order, and type the number printed "
        "under each swatch."
    ),
    mark("Add a photo of a fresh, dry strip in the card's slot, its tip to the left: it tells where the pads lie."),
)
"""How a kind is taught."""


def show(desk: Desk) -> None:
    """List the kinds in use and offer to teach one."""
    st.title(_("Test strips"))
    kinds = strips.kinds(desk.log)
    with st.container(key="tb-text"):
        for each in kinds:
            with st.container(key=f"tb-kind-{each.id}"):
                st.subheader(each.kind.name)
                widgets.show_html(widgets.facts_html(facts_of(desk, each)))
                if st.button(_("Use it no longer"), key=f"withdraw-{each.id}"):
                    strips.withdraw_kind(desk.log, each.id, at=desk.now)
                    st.rerun()
        with st.expander(_("Teach a kind of strip"), expanded=not kinds, icon=":material/add:"):
            teach(desk)


def facts_of(desk: Desk, each: strips.KeptKind) -> list[tuple[str, str]]:
    """Return what a kind reads, its lot and its expiry."""
    told = [
        (name_of(scale.analyte), " ".join(f"{value:g}" for value in scale.values) + (f" {scale.unit}".rstrip()))
        for scale in each.kind.scales
    ]
    if each.kind.lot:
        told.append((_("Lot"), each.kind.lot))
    if each.kind.expires_on:
        expired = each.kind.expired(desk.local(desk.now).date())
        told.append((_("Expires"), each.kind.expires_on + (", " + _("expired") if expired else "")))
    return told


def name_of(analyte: str) -> str:
    """Return an analyte's name for people."""
    return _(words.ANALYTE.get(analyte, analyte.replace("_", " ").capitalize()))


def teach(desk: Desk) -> None:
    """Take the key's photo, show the rows found, ask for the numbers, save."""
    for line in HOW:
        st.markdown(f"- {_(line)}")
    file = st.file_uploader(_("Photo of the key, beside the card"), type=PHOTO_KINDS, max_upload_size=MAX_PHOTO_MB)
    if file is None:
        return
    content = file.getvalue()
    try:
        with st.spinner(_("Looking for the key's swatches ...")):
            found = proposed(file.name, content, hashlib.sha256(content).hexdigest())
    except (TurnblueError, VisionError) as error:
        widgets.show_html(widgets.refusal_html(error))
        return
    with st.form("teach", border=False):
        name = st.text_input(_("What you call this strip"), placeholder=_("six pads, blue bottle"))
        rows = [ask_row(number, row) for number, row in enumerate(found.rows, start=1)]
        fresh = st.file_uploader(_("Photo of a fresh, dry strip in the slot"), type=PHOTO_KINDS, key="fresh")
        lot = st.text_input(_("Lot number"))
        expires = st.date_input(_("Expiry"), value=None)
        saved = st.form_submit_button(_("Save this kind"), type="primary", width="stretch")
    if not saved:
        return
    kept = [(row, typed) for row, typed in zip(found.rows, rows, strict=True) if typed is not None]
    try:
        if not name.strip():
            raise strips.StripRefused(mark("The strip has no name yet."), mark("Type what you call it."))
        whole = KeyProposal(tuple(tuple(corrected(content, file.name, row, typed)) for row, typed in kept), found.light)
        kind = strips.teach_from_key(
            name.strip(),
            (file.name, content),
            [typed for _, typed in kept],
            proposal=whole,
            fresh=None if fresh is None else (fresh.name, fresh.getvalue()),
            lot=lot.strip(),
            expires_on=None if expires is None else expires.isoformat(),
        )
        strips.save_kind(desk.log, kind, at=desk.now, by=st.session_state.get("by", ""))
    except (TurnblueError, VisionError) as error:
        widgets.show_html(widgets.refusal_html(error))
        return
    st.success(_("Saved: {kind}. It can be chosen at the next visit.", kind=kind.name))


@st.cache_data(max_entries=8, show_spinner=False)
def proposed(name: str, _content: bytes, sha256: str) -> KeyProposal:
    """Return the key as found; kept, so that typing a number does not look again."""
    del sha256
    return strips.propose_key(name, _content)


def ask_row(number: int, row: Sequence[Swatch]) -> TypedScale | None:
    """Show one row as found and ask what it reads; None where it is no row of the key."""
    st.html(row_html(number, row))
    analyte = st.selectbox(
        _("Row {number} reads", number=number),
        [*words.ANALYTE, "copper", "nitrate", "iron", "bromine", "not_a_row"],
        index=None,
        format_func=lambda each: _("Not a row of the key") if each == "not_a_row" else name_of(each),
        accept_new_options=True,
        placeholder=_("Choose, or type another"),
        key=f"row-{number}",
    )
    numbers = st.text_input(
        _("Row {number}: numbers under the swatches, left to right", number=number),
        placeholder="0 0.5 1 3 5 10",
        help=_("As many as the key prints; a swatch too pale to be found is put where it should lie."),
        key=f"numbers-{number}",
    )
    window = st.text_input(
        _("Row {number}: read between, seconds", number=number), placeholder="15-30", key=f"window-{number}"
    )
    note = st.text_input(_("Row {number}: note, such as the water's temperature", number=number), key=f"note-{number}")
    if analyte in (None, "not_a_row") or not numbers.strip():
        return None
    try:
        typed = strips.typed_scale(f"{str(analyte).strip().replace(' ', '_')}: {numbers} @{window}")
    except TurnblueError:
        widgets.show_html(
            widgets.say_html(
                _("Row {number}: these numbers cannot be read.", number=number),
                _("Type them as 0 0.5 1 3 5 10."),
                act=True,
            )
        )
        return None
    return TypedScale(typed.analyte, typed.unit, typed.values, typed.read_from_s, typed.read_until_s, note.strip())


def corrected(content: bytes, name: str, row: Sequence[Swatch], typed: TypedScale) -> Sequence[Swatch]:
    """Return a row with as many swatches as numbers were typed: missing ones put before, extra ones dropped."""
    wanted = len(typed.values)
    if wanted <= len(row):
        return row[:wanted]
    quads: list[Any] = [each.quad_px for each in row]
    while len(quads) < wanted:
        # A pale swatch is missed at the row's beginning: keys run from pale to dark.
        quads.insert(0, moved(quads[0], quads[1] if len(quads) > 1 else None))
    return strips.row_of(name, content, [quads])[0]


def moved(first: Sequence[Point], second: Sequence[Point] | None) -> tuple[Point, ...]:
    """Return where the swatch before the first lies, by the step to the second."""
    if second is None:
        wide = first[1][0] - first[0][0]
        return tuple((x - 1.3 * wide, y) for x, y in first)
    return tuple((2 * x - u, 2 * y - v) for (x, y), (u, v) in zip(first, second, strict=True))


def row_html(number: int, row: Sequence[Swatch]) -> str:
    """Return a row of swatches as found, in their normalised colors; one that was guessed is framed by dots."""
    cells = "".join(
        f'<span style="display:inline-block;width:2.6rem;height:1.8rem;margin-right:.3rem;background:{css(each)};'
        f'border:2px {"dotted" if each.guessed else "solid"} #888" title="swatch {place}"></span>'
        for place, each in enumerate(row, start=1)
    )
    label = _("Row {number}: {count} swatches found", number=number, count=len(row))
    return f'<div role="img" aria-label="{label}">{cells}</div>'


def css(swatch: Swatch) -> str:
    """Return a swatch's color for the screen."""
    red, green, blue = strips.shown_srgb8(swatch)
    return f"rgb({red},{green},{blue})"
