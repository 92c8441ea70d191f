"""Commands by topic, each one call into a use case; `app.cli` lists them."""
