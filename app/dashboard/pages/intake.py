"""Photos taken without signal: dropped in together, sorted into visits by tag, time and position, asked, confirmed.

A photo is in the log the moment it arrives; the sorting goes on whenever the page is opened, on any device.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import streamlit as st

from app import intake, strips
from app.access import Right
from app.actions import PhotoIn, Refused
from app.config import MAX_PHOTO_MB
from app.dashboard import session, widgets, words
from app.dashboard.choose import choose_pool
from app.dashboard.session import Desk
from app.dashboard.speech import _, several
from app.dashboard.strip_form import PHOTO_KINDS
from app.errors import TurnblueError
from app.intake import Kept, Waiting
from app.sorting import Arrived, Question, SortedVisit
from vision.errors import VisionError

SHOWN = 6
"""Photos of one visit that are shown; of more the number is given (our choice)."""

THUMB_PX = 220
"""Width of a photo among many [px] (our choice)."""


def show(desk: Desk) -> None:
    """Show the uploader, what waits, and what was saved."""
    st.title(_("Photos without signal"))
    say = _(
        "At each pool: its tag, the water beside the card, the strip in its slot. Drop the photos in here later; "
        "they sort themselves."
    )
    widgets.show_html(f'<div class="tb-quiet">{say}</div>')
    take(desk)
    for each in st.session_state.pop("intake_done", []):
        show_kept(desk, each)
    found = intake.waiting(desk.log, zone=desk.zone)
    sorting = found.sorting
    if not (sorting.visits or sorting.questions or sorting.lone_tags or found.unread):
        widgets.show_html(widgets.say_html(_("No photo waits to be sorted."), _("Drop photos or a zip in above.")))
        return
    for number, question in enumerate(sorting.questions):
        show_question(desk, found, question, number)
    show_rest(desk, found)
    if sorting.visits:
        show_visits(desk, found)


def take(desk: Desk) -> None:
    """Take in what is dropped, each file once."""
    files = st.file_uploader(
        _("Photos, or a zip of them of up to {size} MB", size=MAX_PHOTO_MB),
        type=[*PHOTO_KINDS, "zip"],
        accept_multiple_files=True,
        key=f"intake-{st.session_state.setdefault('intake_round', 0)}",
        max_upload_size=MAX_PHOTO_MB,
    )
    by = st.text_input(_("Who took them"), value=st.session_state.get("by", ""))
    st.session_state["by"] = by.strip()
    for title, sentence in st.session_state.get("intake_said", []):
        widgets.show_html(widgets.say_html(_(title), _(sentence), act=bool(sentence)))
    if not files:
        return
    said: list[tuple[str, str]] = []
    with st.spinner(several("Looking at {count} file ...", "Looking at {count} files ...", len(files))):
        try:
            taken = intake.take_in(desk.log, _photos(files), at=desk.now, by=by.strip())
            counted = _("{taken} photos taken in; {known} were here already.", taken=taken.taken, known=taken.known)
            said.append((counted, ""))
            said += [(each.name, each.sentence) for each in taken.refused]
        except (TurnblueError, VisionError) as error:
            said.append((error.sentence, error.hint))
    st.session_state["intake_said"] = said
    st.session_state["intake_round"] += 1
    st.rerun()


def _photos(files: Sequence[object]) -> Iterable[PhotoIn | Refused]:
    """Give the photos of uploaded files, those of a zip too."""
    for file in files:
        if file.name.lower().endswith(".zip"):
            yield from intake.photos_in_zip(file, file.name)
        else:
            yield PhotoIn(file.name, file.getvalue(), "other")


def show_question(desk: Desk, found: Waiting, question: Question, number: int) -> None:
    """Ask to which pool photos belong; the likeliest pools come first, and any other can be chosen."""
    sha256s = [each.sha256 for each in question.photos]
    with st.container(key=f"tb-ask-{number}"):
        st.subheader(several("Whose photo is this?", "Whose {count} photos are these?", len(sha256s)))
        widgets.show_html(widgets.say_html(_(question.say), taken_say(desk, question.photos), act=True))
        show_thumbs(desk, question.photos)
        likely = [found.pools[each] for each in question.choices]
        chosen = choose_pool(desk, _("Pool"), key=f"ask-{sha256s[0]}", first=likely)
        if chosen is not None:
            intake.answer(desk.log, sha256s, chosen)
            st.rerun()
        if st.button(_("In no visit"), key=f"out-{sha256s[0]}"):
            intake.leave_out(desk.log, sha256s, at=desk.now)
            st.rerun()


def show_rest(desk: Desk, found: Waiting) -> None:
    """Show tags that nothing followed, and files that are no photos."""
    for tag in found.sorting.lone_tags:
        widgets.show_html(widgets.say_html(_("A tag that no photo followed"), f"{tag.name}, {taken_say(desk, [tag])}"))
        if st.button(_("In no visit"), key=f"out-{tag.sha256}"):
            intake.leave_out(desk.log, [tag.sha256], at=desk.now)
            st.rerun()
    for each in found.unread:
        widgets.show_html(widgets.say_html(each.name, _(each.unread), act=True))
        if st.button(_("In no visit"), key=f"out-{each.sha256}"):
            intake.leave_out(desk.log, [each.sha256], at=desk.now)
            st.rerun()


def show_visits(desk: Desk, found: Waiting) -> None:
    """Show the visits as sorted, and the one button that saves them."""
    visits = found.sorting.visits
    kinds = {each.id: each.kind.name for each in strips.kinds(desk.log)}
    kind = None
    if kinds:
        kind = st.selectbox(
            _("Test strips photographed"),
            list(kinds),
            index=None,
            format_func=kinds.__getitem__,
            placeholder=_("None photographed"),
        )
    start = []
    for visit in visits:
        pool = found.pools[visit.pool_id]
        with st.container(key=f"tb-sorted-{visit.photos[0].sha256[:12]}"):
            st.subheader(pool.name)
            widgets.show_html(f'<div class="tb-quiet">{visit_say(desk, visit, strip=kind is not None)}</div>')
            show_thumbs(desk, visit.photos)
            asks = visit.pool_id in found.without_recovery and desk.actor.may(Right.START)
            if asks and st.checkbox(_("No recovery is open: start one"), key=f"start-{visit.photos[0].sha256}"):
                start.append(visit.pool_id)
            if st.button(_("Not this pool"), key=f"wrong-{visit.photos[0].sha256}"):
                st.session_state["intake_wrong"] = visit.photos[0].sha256
            if st.session_state.get("intake_wrong") == visit.photos[0].sha256:
                ask_other(desk, visit)
    with st.container(key="tb-save"):
        label = several("Save {count} visit", "Save {count} visits", len(visits))
        saves = st.button(label, type="primary", width="stretch")
    if not saves:
        return
    bar = st.progress(0.0, _("Measuring ..."))
    st.session_state["intake_done"] = intake.confirm(
        desk.log,
        at=desk.now,
        by=st.session_state.get("by", ""),
        zone=desk.zone,
        start=start,
        strip_kind_id=kind or "",
        progress=lambda done, total: bar.progress(
            done / total, _("{done} of {total} visits saved", done=done, total=total)
        ),
    )
    st.session_state.pop("intake_said", None)
    st.rerun()


def ask_other(desk: Desk, visit: SortedVisit) -> None:
    """Ask to which other pool a sorted visit's photos belong."""
    key = f"other-{visit.photos[0].sha256}"
    chosen = choose_pool(desk, _("The pool it is"), key=key, without=[visit.pool_id])
    if chosen is not None:
        intake.answer(desk.log, [each.sha256 for each in visit.photos], chosen)
        st.session_state.pop("intake_wrong", None)
        st.rerun()


def visit_say(desk: Desk, visit: SortedVisit, *, strip: bool) -> str:
    """Return when a sorted visit was, of how many photos, and by what it was sorted."""
    last = _(", the last of a strip") if strip and len(visit.photos) > 1 else ""
    count = several("{count} photo", "{count} photos", len(visit.photos))
    return f"{taken_say(desk, visit.photos)}. {count}{last}; {_('sorted {why}', why=_(visit.why))}"


def taken_say(desk: Desk, photos: Sequence[Arrived]) -> str:
    """Return when photos were taken, as words."""
    first = next((each.taken_at for each in photos if each.taken_at is not None), None)
    if first is None:
        return _("Not known when it was taken")
    at = first if first.tzinfo is not None else first.replace(tzinfo=desk.zone)
    return _("Taken {when}", when=words.when_say(desk.local(at), desk.local(desk.now), us=desk.us))


def show_thumbs(desk: Desk, photos: Sequence[Arrived]) -> None:
    """Show small pictures of photos side by side."""
    with st.container(horizontal=True, gap="small"):
        for photo in photos[:SHOWN]:
            picture = session.picture(desk, photo.sha256, width_px=THUMB_PX)[0]
            if picture:
                st.image(picture, width=THUMB_PX // 2, alt=photo.name)
    if len(photos) > SHOWN:
        widgets.show_html(f'<div class="tb-quiet">{_("and {count} more", count=len(photos) - SHOWN)}</div>')


def show_kept(desk: Desk, kept: Kept) -> None:
    """Show what became of a sorted visit."""
    if kept.visit is None:
        widgets.show_html(
            widgets.say_html(_("{pool} waits", pool=kept.pool.name), " ".join(map(_, kept.said)), act=True)
        )
        return
    widgets.show_html(widgets.say_html(_("Saved: {pool}", pool=kept.pool.name), " ".join(map(_, kept.said))))
    for name, sentence in kept.refused:
        widgets.show_html(widgets.say_html(name, _(sentence), act=True))
    st.page_link(desk.pages["pool"], label=_("This pool's page"), query_params={"recovery": kept.visit.recovery_id})
