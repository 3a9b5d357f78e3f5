"""`python -m app` is the same as the `likewright` command."""

from app.cli import main

if __name__ == "__main__":
    main()
