"""Run the command line as ``python -m stripwise``."""

from stripwise.cli import main

if __name__ == "__main__":
    main()
