"""The command line as ``python -m blend``."""

from blend.app.cli import main

if __name__ == "__main__":
    main()
