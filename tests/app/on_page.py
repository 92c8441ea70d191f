"""Opens a page of the dashboard without a browser, and reads what it says; shared by the tests of pages."""

from streamlit.testing.v1 import AppTest
from streamlit.util import calc_hash

from app.dashboard.start import ENTRY


def open_page(name, *, within_s=60, **query):
    """Run a page and return it; an exception on it fails the test."""
    at = AppTest.from_file(str(ENTRY), default_timeout=within_s)
    at.query_params.update(query)
    # A page that is a function has no file to switch to; its address is hashed as a session would.
    at._page_hash = calc_hash(name)
    return clean(at.run())


def clean(at):
    assert not at.exception, at.exception[0].message
    return at


def said(at):
    """Return a page's texts and its pieces of HTML."""
    return "\n".join([str(each.value) for each in at.markdown] + [each.proto.body for each in at.get("html")])


def labelled(elements, label):
    """Return the first element whose label begins so."""
    return next(each for each in elements if each.label.startswith(label))
