"""``scorer models rescore``: score the season's photos again with the model in use."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import click

from scorer.cli.ask import INTERRUPTED, SOME_FAILED, analyst, or_sentence


@click.command()
@click.option(
    "--records",
    "where",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Records' SQLite file. [default: SCORER_DATABASE_URL, else the usual place]",
)
@click.option(
    "--also-spoken-of",
    is_flag=True,
    help="Also photos that somebody has said something of; the words belong to the old score and count no more.",
)
@click.option("--jobs", metavar="N", type=click.IntRange(min=1), default=1, show_default=True, help="Photos at once.")
@click.option("--who", metavar="NAME", help="Who has it done. [default: the computer's user]")
@click.pass_context
def rescore(context: click.Context, where: Path | None, also_spoken_of: bool, jobs: int, who: str | None) -> None:
    """Score the photos again that the model in use has not scored yet, beside the scores that they have.

    Takes the photos that are kept beside the records, as the pages keep them; each is judged by the limits of its
    newest score. Stopped at any time, the same command goes on with the rest. Exit code: 0 all were scored, 1 some
    could not be and keep the score that they have, 130 stopped by Ctrl-C.
    """
    from scorer.arrivals.deliveries import inbox_beside
    from scorer.arrivals.model_in_use import model_in_use
    from scorer.arrivals.rescoring_work import rescore_now
    from scorer.arrivals.store import store_beside
    from scorer.records.database import open_records, records_url

    person, url = analyst(who), or_sentence(partial(records_url, where))
    engine = or_sentence(partial(open_records, url, create=False))
    used = or_sentence(partial(model_in_use, url))
    try:
        with ExitStack() as shown:
            progress = _Progress(shown)
            again = or_sentence(
                lambda: rescore_now(
                    person,
                    engine,
                    store_beside(url),
                    inbox_beside(url),
                    used,
                    also_spoken_of=also_spoken_of,
                    jobs=jobs,
                    on_found=progress.found,
                    on_done=progress.done,
                )
            )
    except KeyboardInterrupt:
        click.echo("Stopped; what was scored again stays, and the same command goes on with the rest.", err=True)
        context.exit(INTERRUPTED)
    click.echo(f"{again.done} photos were scored again by the model {used.model.sha256[:12]}.")
    if again.left_out:
        click.echo(f"{again.left_out} were left out, for people have said something of them; see --also-spoken-of.")
    if again.not_kept:
        click.echo(f"{again.not_kept} cannot be scored again, for they are not kept beside the records.")
    for sentence in again.failed:
        click.echo(f"Not scored again: {sentence}")
    context.exit(SOME_FAILED if again.failed else 0)


class _Progress:
    """Tells of each photo once it is known how many there are."""

    def __init__(self, shown: ExitStack) -> None:
        self._shown = shown
        self._step: Callable[[str], None] = lambda name: None

    def found(self, photos: int) -> None:
        from scorer.console import steps_of

        self._step = self._shown.enter_context(steps_of(sys.stderr, "scoring again", photos))

    def done(self, name: str, why_not: str) -> None:
        self._step(name)
