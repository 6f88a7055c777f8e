"""`python -m feedsim`."""

from feedsim.cli import main

if __name__ == "__main__":
    main()
