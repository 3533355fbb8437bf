"""``python -m linelab`` runs the command line."""

from linelab.cli import main

if __name__ == "__main__":
    main()
