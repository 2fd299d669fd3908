"""The command line; the only code that knows click and exit codes."""

from __future__ import annotations


def main() -> None:
    """Run the command line and end the process; what that takes is loaded here."""
    from blend.app.cli.commands import main as run

    run()
