"""Lets ``python -m thermscan`` do what the ``thermscan`` command does."""

from thermscan.app.start import main

if __name__ == "__main__":
    main()
