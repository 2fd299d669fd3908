"""The HTML pages a run leaves."""
