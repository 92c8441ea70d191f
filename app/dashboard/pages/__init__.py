"""One file a page; each page is one function that reads like the page."""
