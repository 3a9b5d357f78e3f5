"""The `likewright` command, and `python -m app`, which is the same."""

import sys


def main() -> None:
    """Run a command; on a system that Likewright does not run on, say so and end with 69."""
    try:
        from app.cli import main as run
    except ModuleNotFoundError as why:
        # Windows has no such locks.
        if why.name != "fcntl":
            raise
        sys.stderr.write(
            "Likewright runs on Linux and macOS. On Windows, run it in a container: see "
            "demo_data/hosting/Containerfile.\n"
        )
        sys.exit(69)
    run()


if __name__ == "__main__":
    main()
