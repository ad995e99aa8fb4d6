"""The command line as `python -m simlap`, where the program's folder is not on the path."""

from simlap.cli import main

if __name__ == "__main__":
    main()
