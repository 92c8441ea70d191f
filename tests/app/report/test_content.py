"""What a customer's report says, and what it never says."""

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from report_cases import (
    BLUE,
    CASES,
    COMPANY,
    DONE,
    GOING,
    GREEN,
    MILKY,
    NOW,
    POOL,
    SECRETS,
    STALLED,
    progress,
    recovery,
    step,
)

from app.records import Standing, StepKind
from app.report import wording
from app.report.content import write_content
from app.report.customer_page import CustomerPage, closed_html, customer_html, headers
from app.report.depth_chart import draw_depth
from vision.results import Interval

ZONE = ZoneInfo("America/Phoenix")
LANGUAGES = ("en", "es")


def said(case, language="en", company=COMPANY, zone=ZONE):
    return write_content(*case, company, now=NOW, zone=zone, language=language)


def plain(text):
    """Return a text with the space between number and unit as an ordinary one."""
    return text.replace("\u00a0", " ")


def test_one_who_glances_learns_where_it_stands():
    report = said(GOING)
    assert (report.headline, report.tone) == ("The water is clearing", "go")
    assert (report.before.label, report.before.day, plain(report.before.seen)) == (
        "Before",
        "Tue, Jun 2",
        "You see about 1.3 ft down",
    )
    assert (report.now.label, report.now.water) == ("Now", "Cloudy, no living algae seen")
    # 2.5 to 11.5 days from 9 am on June 10 in Phoenix.
    assert (report.clear_title, report.clear) == ("Expected to be clear", "Jun 12 to Jun 21")
    assert plain(report.depth) == "3 ft"  # 0.9 m
    assert report.depth_more == "most likely 2.4 to 3.8 ft"
    assert report.share_say == "59 % of the way from the start to clear water"
    assert report.next == (wording.NEXT[StepKind.CLEAN_FILTER], "Next visit: Thu, Jun 11")
    assert report.done == ("2 visits", "Chlorine added once", "Filter cleaned once", "Debris removed and pool brushed")
    assert "so they can be compared" in report.honest


def test_same_in_spanish_and_metric():
    report = said(GOING, "es", replace(COMPANY, units="metric"))
    assert report.headline == "El agua se está aclarando"
    assert plain(report.now.seen) == "Se ve hasta unos 0,9 m"
    # 30.283 L as it is poured, in half litres.
    assert report.visits[0].done == "Se agregó 30,5 L de cloro líquido; piscina cepillada; residuos retirados"


def test_stalled_gives_no_date():
    report = said(STALLED)
    assert (report.tone, report.clear) == ("hold", "No date yet")
    assert report.chart.expected is None


def test_done_is_clear_since_the_first_clear_photo_and_to_the_floor():
    report = said(DONE)
    assert (report.headline, report.tone) == ("Done: your pool is clear", "good")
    assert (report.clear_title, report.clear) == ("Clear since", "Mon, Jun 8")
    assert (report.depth, report.now.seen) == ("To the floor", "You see to the floor")
    assert wording.TEST_FIRST in report.mind
    assert wording.KEEP_OUT not in report.mind


def test_nobody_sees_further_down_than_the_pool_is_deep():
    # 3.4 m most likely, 2.7 m at the low end.
    report = said((recovery(GREEN, BLUE, pool=replace(POOL, depth_deep_m=3.0)), *GOING[1:]))
    assert (report.depth, report.now.seen) == ("Nearly to the floor", "You see nearly to the floor")
    report = said((recovery(GREEN, BLUE, pool=replace(POOL, depth_deep_m=2.5)), *GOING[1:]))
    assert report.depth == "To the floor"


def test_a_floor_that_the_tech_saw_is_said_to_be_seen():
    deep = recovery(GREEN, BLUE, pool=replace(POOL, depth_deep_m=3.0))
    seen = replace(deep, visits=(*deep.visits[:-1], replace(deep.visits[-1], floor_seen=True)))
    report = said((seen, *GOING[1:]))
    assert (report.depth, report.now.seen) == ("To the floor", "You see to the floor")


def test_a_visit_without_a_usable_photo_says_so():
    dark = recovery(GREEN, BLUE)
    dark = replace(dark, visits=(replace(dark.visits[0], assessment=None), *dark.visits[1:]))
    report = said((dark, *GOING[1:]))
    assert report.visits[0].water == "No photo that could be measured."
    assert report.visits[0].sha256 == ""


def test_closed_without_clear_water_is_not_called_clear():
    report = said((recovery(GREEN, MILKY, closed=True), *DONE[1:]))
    assert report.headline == wording.FINISHED
    assert "clear" not in report.summary
    assert report.clear == "No date yet"


def test_closed_without_a_photo_is_not_called_clear():
    assert said((recovery(closed=True), *DONE[1:])).headline == wording.FINISHED


@pytest.mark.parametrize("case", [GOING, STALLED], ids=["going", "stalled"])
def test_until_handed_over_it_says_not_to_swim_and_not_to_pour(case):
    mind = said(case).mind
    assert mind[0] == wording.KEEP_OUT
    assert {wording.NOT_SEEN, wording.NO_CHEMICALS, wording.HANDS_OFF, wording.NO_DRAINING} <= set(mind)


def test_a_public_pool_opens_by_its_code():
    assert said((recovery(GREEN, pool=replace(POOL, public=True)), *GOING[1:])).mind[0] == wording.PUBLIC


def test_a_forecast_too_far_away_is_no_date():
    far = (GOING[0], progress(Standing.UNDER_WAY, 0.1, Interval(20.0, 40.0, 46.0)), step(StepKind.DOSE))
    assert said(far).clear == "No date yet"


def test_an_overdue_visit_is_arranged_not_dated():
    late = replace(GOING[1], next_visit_due=NOW - timedelta(days=2))
    assert said((GOING[0], late, GOING[2])).next[1] == "Next visit: we arrange it with you."


def test_days_are_counted_in_the_pools_zone():
    # 16:00 UTC on June 10 is past midnight of the 11th in Auckland.
    assert said(GOING, zone=ZoneInfo("Pacific/Auckland")).as_of == "As of Thu, Jun 11"


def test_one_visit_is_one_photo():
    report = said((recovery(GREEN), *GOING[1:]))
    assert report.before is None
    assert report.now.sha256 == GREEN.assessment.photo_sha256


def test_no_photo_yet_still_makes_a_report():
    report = said((recovery(), progress(Standing.NOT_STARTED, None), step(StepKind.START)))
    assert (report.before, report.now, report.share) == (None, None, None)
    assert report.depth == "Not measured yet"
    assert "<svg" in draw_depth(report.chart, title="x")


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", StepKind, ids=str)
def test_every_step_and_standing_is_said(kind, language):
    for standing in Standing:
        report = said((GOING[0], progress(standing), step(kind)), language)
        assert report.headline
        assert report.next[0]
        # The plan's own English never slips into what a customer reads.
        assert "plan's" not in str(report)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_nothing_internal_is_said(case, language):
    report = said(case, language)
    page = customer_html(CustomerPage(report, {}, None, "Jun 30"), nonce="n")
    for secret in SECRETS:
        assert secret not in str(report)
        assert secret not in page


def test_the_invented_company_says_rendered_and_a_real_one_does_not():
    assert said(GOING).rendered == ""
    invented = said(GOING, company=replace(COMPANY, invented=True))
    assert invented.rendered == "Rendered picture"
    assert wording.INVENTED in invented.small


def test_the_report_names_the_measurements_it_rests_on():
    assert said(DONE).measurement_ids == ("m-1", "m-4", "m-7", "m-8")


# The chart


def test_the_chart_has_every_photo_dose_and_the_forecast():
    chart = said(GOING).chart
    svg = draw_depth(chart, title="How far <one> sees")
    assert svg.count("<circle") == 2
    assert len(chart.doses) == 1
    assert "<rect" in svg  # the forecast
    assert "How far &lt;one&gt; sees" in svg
    assert "href" not in svg
    assert "url(" not in svg


def test_a_bound_has_an_arrow_and_no_upper_end():
    marks = said(DONE).chart.marks
    assert (marks[-1].bound, marks[-1].high) == (True, None)


# The page


def test_the_page_escapes_and_fetches_nothing():
    jpeg = b"\xff\xd8x"
    page = customer_html(CustomerPage(said(GOING), {"before": jpeg, "now": jpeg}, None, "Jun 30"), nonce="abc")
    assert "<b>Street</b>" not in page
    assert "Oak &lt;b&gt;Street&lt;/b&gt; 12" in page
    assert "Invented &amp; Sons" in page
    assert 'href="tel:5550142"' in page
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")
    # No style or script without the nonce, none in an attribute: the policy would drop it.
    assert page.count("<script") == page.count('<script nonce="abc">') == 1
    assert " style=" not in page
    assert "onload" not in page


def test_the_pages_policy_lets_nothing_else_run():
    policy = headers("abc")["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'nonce-abc'" in policy
    assert "unsafe" not in policy


def test_a_closed_link_says_so_in_every_language():
    page = closed_html(nonce="n")
    assert "This link is not open" in page
    assert "Este enlace no está abierto" in page
