"""linelab app: the page on this machine."""

from __future__ import annotations

from pathlib import Path

import click

from linelab.cli.common import say
from linelab.cli.options import PATH


@click.command(
    "app",
    short_help="Open a page on this machine: drop recordings, draw tracks, try what-ifs.",
    epilog="""\b
Examples:
  linelab app
  linelab app "my karting" --no-browser
""",
)
@click.argument("folder", type=PATH, required=False)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    metavar="NUMBER",
    help="Where to listen; 0 takes any free one.  [default: 8310, or any]",
)
@click.option("--browser/--no-browser", default=True, help="Open the page in the browser.  [default: on]")
@click.option(
    "--largest", type=click.IntRange(1, 10_000), default=500, show_default=True, metavar="MB",
    help="Largest recording that is taken.",
)  # fmt: skip
@click.option(
    "--memory", type=click.IntRange(1024, 65536), default=6144, show_default=True, metavar="MB",
    help="Most memory that one piece of work may take.",
)  # fmt: skip
@click.option(
    "--patience", type=click.IntRange(10, 86400), default=900, show_default=True, metavar="SECONDS",
    help="Longest time that one piece of work may take.",
)  # fmt: skip
def app_command(folder: str | None, port: int | None, browser: bool, largest: int, memory: int, patience: int) -> None:
    """Open the app: a page that only this machine can reach.  Nothing is sent anywhere.

    FOLDER keeps sessions, tracks and karts as plain files; without it, the folder "linelab" in your home folder.
    """
    import secrets

    from linelab.app.jobs import Limits
    from linelab.app.requests import Settings
    from linelab.app.server import entrance, listening_socket, serve

    listening = listening_socket(port)
    settings = Settings(
        folder=(Path(folder) if folder else Path.home() / "linelab").resolve(),
        key=secrets.token_urlsafe(24),
        port=listening.getsockname()[1],
        largest_upload=largest * 10**6,
        limits=Limits(seconds=patience, megabytes=memory),
    )

    def begun() -> None:
        say(f"linelab runs at {entrance(settings)}", f"Files: {settings.folder}", "Ctrl-C ends it.")
        if browser:
            import webbrowser

            webbrowser.open(entrance(settings))

    serve(settings, listening, begun)
