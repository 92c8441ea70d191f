"""The script that Streamlit runs, once for every run of a page: it calls the router.

In: nothing. Out: one page. It lies apart from `pages`, because Streamlit takes a folder of that name beside its script
for pages of its own kind, and shows a blank one to a first visitor whose address names it.
"""

from app.dashboard.main import main

main()
