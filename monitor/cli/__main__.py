"""`python -m monitor.cli` is the `sillkeep` command."""

from monitor.cli import main

if __name__ == "__main__":
    main()
