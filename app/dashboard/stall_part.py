"""Why treated water stands still: how probable that is, the causes ranked, and the check that tells each apart.

In: a recovery's progress. Out: one part of the pool's page, with the cautions for the work that the checks ask for.
"""

from __future__ import annotations

from html import escape

from app.dashboard import widgets
from app.dashboard.speech import _
from app.records import Cause, Pool, Progress, Standing, Step
from app.treatment.causes import cautions_of
from app.words import Said

LEAST_SHOWN = 0.05
"""A cause less likely than this is left out: nobody opens a filter for one in twenty (our choice)."""

ALWAYS_SHOWN = 2
"""The first causes, shown however sure the first is: a check tells one from another (our choice)."""


def show(progress: Progress, pool: Pool, step: Step) -> None:
    """Show the part where the water stands still, else how probable it is that it does."""
    if progress.standing == Standing.STALLED:
        widgets.show_html(stall_html(progress, pool, step))
    elif progress.stall_probability is not None and progress.standing in (Standing.UNDER_WAY, Standing.CLEARING):
        say = _("Chance that the water stands still: {percent}.", percent=_percent(progress.stall_probability))
        widgets.show_html(f'<p class="tb-quiet">{say}</p>')


def stall_html(progress: Progress, pool: Pool, step: Step) -> str:
    """Return the probability of the stall, its likely causes in order, and the cautions.

    What the next step, shown above it, says already is not said again: the check for a cause, and a caution.
    """
    shown = [each for place, each in enumerate(progress.causes) if place < ALWAYS_SHOWN or each.share >= LEAST_SHOWN]
    sure = progress.stall_probability
    lead = _("The photos say that the water stands still.")
    if sure is not None:
        lead = _("The photos say that the water stands still: {percent} probable.", percent=_percent(sure))
    title, ranked = escape(_("Why it stands still")), _("Likely causes by what the log holds, most likely first:")
    ours = escape(_("Our own estimates of the trade: they rank the causes, the check decides."))
    told = {each.say.values["cause"] for each in step.do if widgets.is_check(each) and isinstance(each.say, Said)}
    listed = "".join(cause_html(each, checked=each.say not in told) for each in shown)
    warned = widgets.all_cautions(step)
    more = [each for each in cautions_of(shown, pool) if each not in warned]
    return (
        f'<section class="tb-stall" aria-label="{title}"><h3>{title}</h3>'
        f'<p>{escape(lead)} {escape(ranked)}</p><ol class="tb-causes">{listed}</ol>'
        f'<p class="tb-quiet">{ours}</p>'
        f"{widgets.cautions_html(more)}</section>"
    )


def cause_html(cause: Cause, *, checked: bool = True) -> str:
    """Return one cause: how likely, why, and, where `checked`, how to check and how to mend."""
    why = "".join(f"<li>{escape(_(each.say))}</li>" for each in cause.why)
    title = escape(_("What speaks for it"))
    grounds = f'<details><summary>{title}</summary><ul class="why">{why}</ul></details>' if why else ""
    check, mend = escape(_("Check:")), escape(_("If so:"))
    does = f"<p><b>{check}</b> {escape(_(cause.check))}</p><p><b>{mend}</b> {escape(_(cause.mend))}</p>"
    return (
        f'<li><div class="cause"><span class="share">{_percent(cause.share)}</span><b>{escape(_(cause.say))}</b></div>'
        f"{does if checked else ''}{grounds}</li>"
    )


def _percent(share: float) -> str:
    """Return a probability as words; never all or nothing."""
    return f"{min(max(share, 0.01), 0.99):.0%}".replace("%", "\u00a0%")
