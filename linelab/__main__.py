"""Where the program starts, as ``linelab`` and as ``python -m linelab``: Ctrl-C has an answer before all else loads."""

from linelab.cli.interrupt import answer_from_now_on


def main() -> None:
    """Run the command line and leave with its exit code."""
    answer_from_now_on()
    from linelab.cli.main import main as run

    run()


if __name__ == "__main__":
    main()
