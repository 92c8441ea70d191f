"""The server that `turnblue serve` starts: Streamlit's pages, our own addresses, and the guard before both.

In: nothing. Out: `app`, which Streamlit's own starter finds by its name. What is behind it is in `app.dashboard.doors`.
"""

from pathlib import Path

from streamlit.starlette import App

from app import actions
from app.dashboard import doors

# The first photo then finds a worker program that has loaded what it measures with.
actions.warm_up()

app = App(
    Path(__file__).with_name("turnblue_dashboard.py"),
    routes=doors.routes(),
    middleware=doors.middleware(),
)
