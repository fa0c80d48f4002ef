"""The desk in a real browser: a package, so that the browser is closed when a worker leaves it."""
