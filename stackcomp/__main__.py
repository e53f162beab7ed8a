"""``python -m stackcomp``: the same as the command ``stackcomp``."""

from stackcomp.cli import main

if __name__ == "__main__":
    main()
