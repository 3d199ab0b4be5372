"""`python -m evenfield`."""

from evenfield.cli import main

if __name__ == "__main__":
    main()
