"""Add a visit, phone first: pool, photos, equipment, readings, what was poured and done; then the next step.

A photo is in the log the moment it arrives, as the beginning of the visit; what is typed is kept beside it as it is
typed (`app.dashboard.typed`), and saving makes both one visit. A dropped connection loses neither: the page offers to
go on.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import streamlit as st

from app import actions, intake, strips
from app.access import Right
from app.actions import PhotoIn
from app.config import MAX_PHOTO_MB
from app.dashboard import care, session, strip_form, typed, visit_form, widgets, words
from app.dashboard.session import Desk
from app.dashboard.speech import _, several
from app.errors import TurnblueError
from app.intake import Draft
from app.records import Pool, Recovery, Visit
from vision.errors import VisionError

PHOTO_KINDS = ["jpg", "jpeg", "png", "webp", "heic", "heif"]
"""What a phone's camera or gallery gives."""

GO_ON_WITHIN = timedelta(hours=6)
"""How long a visit that was begun is offered again: a working day's half (our choice)."""


PROPOSED = 4
"""Pools proposed by large buttons: what fits on a phone without scrolling (our choice)."""


def show(desk: Desk) -> None:
    """Show the visit being made, or what a saved one says."""
    if session.query("tag"):
        follow_tag(desk, session.query("tag"))
        return
    recoveries = actions.open_recoveries(desk.log)
    asked = [each.pool.name for each in recoveries if each.id == session.query("recovery")]
    st.title(_("Visit: {pool}", pool=asked[0]) if asked else _("Visit"))
    if not recoveries:
        widgets.show_html(
            widgets.say_html(_("No recovery is open."), _("Add a pool, or start a recovery of one you have."))
        )
        st.page_link(desk.pages["pools"], label=_("To the pools"))
        return
    saved_id, by_id = session.query("saved"), {each.id: each for each in recoveries}
    if saved_id and session.query("recovery") in by_id:
        recovery = by_id[session.query("recovery")]
        show_result(desk, recovery, next((each for each in recovery.visits if each.id == saved_id), None))
        return
    with st.container(key="tb-text"):
        if session.query("recovery") not in by_id:
            propose(desk, by_id)
        chosen = choose(by_id)
        if chosen is not None:
            make(desk, chosen)


def follow_tag(desk: Desk, code: str) -> None:
    """Go on to the visit of the pool whose tag was opened; offer to start its recovery where none is open."""
    pool = intake.pool_of_tag(desk.log, code)
    if pool is None:
        st.title(_("Visit"))
        say, hint = _("This tag is of no pool you have."), _("Ask the office, or choose the pool by its name.")
        widgets.show_html(widgets.say_html(say, hint, act=True))
        st.page_link(desk.pages["visit"], label=_("Choose the pool"))
        return
    go_to(desk, pool)


def go_to(desk: Desk, pool: Pool, **more: str) -> None:
    """Go on to the visit of a pool with an open recovery; offer to start one where there is none."""
    found = next((each for each in actions.recoveries_of(desk.log, pool.id) if each.closed_at is None), None)
    if found is None:
        say = _("{pool} has no open recovery.", pool=pool.name)
        widgets.show_html(widgets.say_html(say, _("Start one to log a visit.")))
        if not desk.actor.may(Right.START) or not st.button(_("Start a recovery"), type="primary", width="stretch"):
            return
        found = actions.open_recovery(desk.log, pool.id, at=desk.now)
    st.query_params.from_dict({"recovery": found.id, **more})
    st.rerun()


def propose(desk: Desk, by_id: dict[str, Recovery]) -> None:
    """Propose pools by large buttons: visits begun and not saved, then those due today; or by a photo."""
    offered: dict[str, tuple[str, dict[str, str]]] = {}
    for draft in intake.drafts(desk.log):
        recovery = by_id.get(draft.recovery_id)
        if recovery is not None and recovery.id not in offered and not draft.changes:
            when = words.when_say(desk.local(draft.begun_at), desk.local(desk.now), us=desk.us)
            name = _("Go on: {pool}, begun {when}", pool=recovery.pool.name, when=when)
            name += f" ({draft.begun_by})" if draft.begun_by else ""
            offered[recovery.id] = (name, where(draft))
    today = desk.local(desk.now).date()
    for row in actions.board(desk.log, now=desk.now):
        due = row.progress.next_visit_due
        if row.recovery.id not in offered and due is not None and desk.local(due).date() <= today:
            offered[row.recovery.id] = (f"{row.recovery.pool.name}: {widgets.due_say(row.progress, desk)}", {})
    for recovery_id, (label, more) in list(offered.items())[:PROPOSED]:
        if st.button(label, key=f"propose-{recovery_id}", width="stretch"):
            st.query_params.from_dict({"recovery": recovery_id, **more})
            st.rerun()
    propose_by_photo(desk)


def propose_by_photo(desk: Desk) -> None:
    """Take a photo of the tag, or of the water, and go on to the pool it was taken at."""
    file = st.file_uploader(
        _("Or begin with a photo: the pool's tag, or its water"), type=PHOTO_KINDS, max_upload_size=MAX_PHOTO_MB
    )
    if file is None:
        return
    photo = PhotoIn(file.name, file.getvalue())
    found = intake.propose_pool(desk.log, photo, at=desk.now, by=st.session_state.get("by", ""))
    if found.pool is None:
        hint = _("The photo is safe in the log. Choose the pool by its name, then add the photo there.")
        widgets.show_html(widgets.say_html(_(found.why), hint, act=True))
        return
    more = {}
    open_now = [each for each in actions.recoveries_of(desk.log, found.pool.id) if each.closed_at is None]
    if not found.is_tag and open_now:
        widgets.show_html(widgets.say_html(found.pool.name, _("Found {how}.", how=_(found.why))))
        visit, refused = take(desk, open_now[0], None, [photo])
        st.session_state["photos_refused"] = refused
        more = {"visit": visit.id} if visit is not None else {}
    go_to(desk, found.pool, **more)


def make(desk: Desk, recovery: Recovery) -> None:
    """Take the photos and what is noted; save it, and go on to what the visit says."""
    visit = show_arrival(desk, recovery, begun(desk, recovery))
    if visit is not None:
        show_verdicts(desk, visit)
    visit = strip_form.show_strip(desk, recovery, visit)
    step = actions.next_step(desk.log, recovery.id, now=desk.now)
    sheet = typed.open_sheet(desk, recovery, visit)
    noted = visit_form.show(desk, recovery.pool, step, sheet, was=visit)
    if noted is None:
        return
    at = desk.now if visit is None else visit.at
    noted = replace(noted, readings=strips.judged_readings(recovery, noted.readings, at=at))
    try:
        actions.checked_sighting(noted.sighted)
    except TurnblueError as error:
        # Nothing is saved yet, and all that was typed stays in the form.
        widgets.show_html(widgets.refusal_html(error))
        return
    if visit is None:
        visit = actions.log_visit(desk.log, recovery.id, at=desk.now, by=noted.by).visit
    saved = actions.update_visit(desk.log, visit_form.noted_in(visit, noted), at=desk.now, by=noted.by)
    intake.end_draft(desk.log, saved.id)
    typed.close_sheet(desk, sheet)
    forget_uploads()
    st.query_params.from_dict({"recovery": recovery.id, "saved": saved.id})
    st.rerun()


def choose(by_id: dict[str, Recovery]) -> Recovery | None:
    """Let the tech choose the pool; the one in the address line is proposed."""
    ids = sorted(by_id, key=lambda each: by_id[each].pool.name.casefold())
    asked = session.query("recovery")
    chosen = st.selectbox(
        _("Pool"),
        ids,
        index=ids.index(asked) if asked in by_id else None,
        format_func=lambda each: by_id[each].pool.name,
        placeholder=_("Choose the pool"),
    )
    if chosen is None:
        say = _("Choose the pool first, then take the photos.")
        widgets.show_html(f'<div class="tb-quiet">{say}</div>')
        return None
    if chosen != asked:
        forget_uploads()
        st.query_params.from_dict({"recovery": chosen})
        st.rerun()
    return by_id[chosen]


def begun(desk: Desk, recovery: Recovery) -> Visit | None:
    """Return the visit being made, if its photos have arrived; offer to go on with one that was broken off."""
    asked = session.query("visit")
    for visit in recovery.visits:
        if visit.id == asked:
            return visit
    drafts = [each for each in intake.drafts(desk.log) if each.recovery_id == recovery.id and not each.changes]
    here = st.session_state.get("sheet", ("", "", None))[0]
    if any(each.sheet_id and each.sheet_id in (here, session.query("sheet")) for each in drafts):
        # Typed on this device, or taken up again already.
        return None
    draft = drafts[0] if drafts else None
    last = recovery.visits[-1] if recovery.visits else None
    if draft is None and last is not None and visit_form.only_photos(last) and desk.now - last.at <= GO_ON_WITHIN:
        draft = Draft(recovery.id, last.id, "", last.at, last.by)
    if draft is None:
        return None
    when = words.when_say(desk.local(draft.begun_at), desk.local(desk.now), us=desk.us)
    count = next((len(each.photo_sha256s) for each in recovery.visits if each.id == draft.visit_id), 0)
    kept = several("{count} photo is safe in the log.", "{count} photos are safe in the log.", count)
    if not count:
        kept = _("What was typed is safe in the log.")
    widgets.show_html(widgets.say_html(_("A visit was begun {when}.", when=when), kept))
    if st.button(_("Go on with it"), width="stretch"):
        st.query_params.from_dict({"recovery": recovery.id, **where(draft)})
        st.rerun()
    return None


def where(draft: Draft) -> dict[str, str]:
    """Return what the address line names of a visit begun, besides its recovery."""
    return {"visit": draft.visit_id} if draft.visit_id else {"sheet": draft.sheet_id}


def show_arrival(desk: Desk, recovery: Recovery, visit: Visit | None) -> Visit | None:
    """Take photos as they arrive, each into the log at once, and return the visit they belong to."""
    files = st.file_uploader(
        _("Photos: water beside the card, from the edge"),
        type=PHOTO_KINDS,
        accept_multiple_files=True,
        key=f"photos-{st.session_state.setdefault('upload_round', 0)}",
        max_upload_size=MAX_PHOTO_MB,
    )
    taken: set[str] = st.session_state.setdefault("photos_taken", set())
    arrived = [file for file in files if file.file_id not in taken]
    if arrived:
        photos = [PhotoIn(file.name, file.getvalue()) for file in arrived]
        taken.update(file.file_id for file in arrived)
        with st.spinner(several("Measuring {count} photo ...", "Measuring {count} photos ...", len(photos))):
            visit, refused = take(desk, recovery, visit, photos)
        st.session_state["photos_refused"] = refused
        if visit is not None:
            st.query_params.from_dict({"recovery": recovery.id, "visit": visit.id})
    for name, sentence in st.session_state.get("photos_refused", []):
        widgets.show_html(widgets.say_html(_(name), _(sentence), act=True))
    return visit


def take(
    desk: Desk, recovery: Recovery, visit: Visit | None, photos: list[PhotoIn]
) -> tuple[Visit | None, list[tuple[str, str]]]:
    """Put photos into the log: as the beginning of a visit, or added to the one begun.

    Return the visit, and what was refused with the reason. Where measuring itself fails the photos are in the log
    all the same: they come first.
    """
    by = st.session_state.get("by", "")
    try:
        if visit is None:
            # Bytes, visit and draft are on disk before anything is measured: whatever breaks off, it is taken up again.
            for photo in photos:
                actions.receive_photo(desk.log, photo, received_at=desk.now, by=by)
            visit = actions.log_visit(desk.log, recovery.id, at=desk.now, by=by).visit
            typed.begin_visit(desk, recovery, visit)
        logged = actions.add_photos(desk.log, visit.id, photos, at=desk.now, by=by)
    except (TurnblueError, VisionError) as error:
        # As it is in the log now: the photos came first.
        visits = actions.recovery(desk.log, recovery.id).visits
        kept = next((each for each in visits if visit is not None and each.id == visit.id), None)
        return kept, [(error.sentence, error.hint)]
    return logged.visit, [(each.name, each.sentence) for each in logged.refused]


def show_verdicts(desk: Desk, visit: Visit) -> None:
    """Show for each photo what was found in it, and the grade or how to retake it."""
    for number, sha256 in enumerate(visit.photo_sha256s, start=1):
        widgets.show_verdict(
            desk, sha256, _("Photo {number} of {count}", number=number, count=len(visit.photo_sha256s))
        )


def show_result(desk: Desk, recovery: Recovery, visit: Visit | None) -> None:
    """Show a saved visit: the next step in large type, then each photo's verdict."""
    if visit is None:
        say, hint = _("This visit is not in the log."), _("Go to the board and choose the pool.")
        widgets.show_html(widgets.say_html(say, hint))
        return
    step = actions.next_step(desk.log, recovery.id, now=desk.now)
    progress = actions.progress(desk.log, recovery.id, now=desk.now)
    stepped, seen = st.columns([3, 2], gap="medium")
    with stepped:
        widgets.show_html(widgets.say_html(_("Saved: {pool}", pool=recovery.pool.name), _(progress.say)))
        widgets.show_html(widgets.step_html(step, back=widgets.due_say(progress, desk)))
        with st.container(key="tb-do"):
            st.page_link(desk.pages["board"], label=_("Done: to the board"), width="stretch")
        st.page_link(desk.pages["pool"], label=_("This pool's page"), query_params={"recovery": recovery.id})
        st.page_link(
            desk.pages["visit"], label=_("Change this visit"), query_params={"recovery": recovery.id, "visit": visit.id}
        )
    with seen:
        show_verdicts(desk, visit)
    widgets.show_html(care.care_html("visit", shown=widgets.all_cautions(step)))


def forget_uploads() -> None:
    """Empty the uploader for the next visit; its photos are in the log."""
    st.session_state["upload_round"] = st.session_state.get("upload_round", 0) + 1
    st.session_state.pop("photos_taken", None)
    st.session_state.pop("photos_refused", None)
    strip_form.forget()
