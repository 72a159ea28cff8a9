"""Pages for the browser: register, run, comparison and verdict. Everything measured comes from ``cycler``."""
