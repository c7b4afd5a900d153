"""`python -m volest`: the same as the command."""

from volest.cli.main import main

if __name__ == "__main__":
    main()
