"""`python -m drawup` is the `drawup` command."""

from drawup.cli.main import main

if __name__ == "__main__":
    main()
