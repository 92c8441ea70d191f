"""A card's change over its photos as a chart: each photo a point, a line at what counts as faded.

In: a `CardDrift`. Out: an Altair chart in the palette of `charts`, with nothing fetched from the network.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.report.charts import FONT, PALETTE
from vision.drift import FADED_DELTA_E00, CardDrift

if TYPE_CHECKING:
    import altair as alt

HEIGHT_PX = 180
"""Height of the chart [px]: two of them and their words fit a phone (our choice)."""


def drift_chart(drift: CardDrift, *, ground: str = "light") -> alt.LayerChart:
    """Draw a card's change over time.

    Parameters
    ----------
    drift : CardDrift
        With its series; of an empty one the chart is empty.
    ground : str
        A name of `PALETTE`.
    """
    import altair as alt

    palette = PALETTE[ground]
    rows = [{"days": round(days, 2), "change": round(change, 3)} for days, change in drift.series]
    top = max([FADED_DELTA_E00 * 2, *(row["change"] * 1.1 for row in rows)])
    chart = alt.Chart(alt.Data(values=rows))  # type: ignore[no-untyped-call]
    days = alt.X("days:Q", title="Days since its first photo", axis=alt.Axis(grid=False, tickMinStep=1))
    change = alt.Y("change:Q", title="Change, CIEDE2000", scale=alt.Scale(domain=[0, top]))
    told = [alt.Tooltip("days:Q", title="Day", format=".0f"), alt.Tooltip("change:Q", title="Change", format=".1f")]
    dots = chart.mark_point(filled=True, size=70, color=palette.depth, opacity=0.9).encode(
        x=days, y=change, tooltip=told
    )
    limit = alt.Chart(alt.Data(values=[{"limit": FADED_DELTA_E00}]))  # type: ignore[no-untyped-call]
    rule = limit.mark_rule(color=palette.dose, strokeDash=[5, 4], strokeWidth=2).encode(y="limit:Q")
    word = limit.mark_text(text="faded", align="left", dx=4, dy=-8, color=palette.dose, fontSize=12).encode(
        x=alt.value(0), y="limit:Q"
    )
    drawn: alt.LayerChart = (
        alt.LayerChart(layer=[rule, word, dots], width="container", height=HEIGHT_PX)
        .configure(background="transparent", font=FONT, padding={"left": 0, "right": 6, "top": 4, "bottom": 2})
        .configure_view(stroke=palette.line)
        .configure_axis(
            labelColor=palette.ink, labelFontSize=12,
            titleColor=palette.quiet, titleFontSize=12, titleFontWeight="normal",
            domainColor=palette.line, tickColor=palette.line, gridColor=palette.line,
        )
    )  # fmt: skip
    return drawn
