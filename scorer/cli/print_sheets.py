"""``scorer print``: the reference card and the bin tags as PDF."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scorer.cli.ask import FILE, PDF, or_sentence, or_usage

if TYPE_CHECKING:
    from scorer.tag import Tag

_PAPER = click.Choice(["A4", "Letter"], case_sensitive=False)


@click.group("print")
def print_() -> None:
    """Print the reference card and the bin tags."""


@print_.command()
@click.option("--out", metavar="PDF", required=True, type=PDF, help="The PDF to write.")
@click.option("--paper", type=_PAPER, default="A4", show_default=True, help="Size of the sheets.")
def card(out: Path, paper: str) -> None:
    """Write the reference card as a PDF; print it at 100 % scale."""
    from scorer.printing import print_card

    or_sentence(partial(print_card, out, paper=paper))
    click.echo(f"{out}: print it at 100 % scale and check the bar with a ruler.")


@print_.command()
@click.option("--crew", metavar="NAME", help="Picking crew.")
@click.option("--bin", "bins", metavar="NAME", multiple=True, help="Bin; give it again for more tags.")
@click.option("--picked", metavar="TIME", help="Local time of picking, such as 2026-03-14T09:30.")
@click.option("--method", metavar="NAME", help="Picking method.")
@click.option("--side", metavar="NAME", help="Side of the fruit that lies up, or of the row.")
@click.option(
    "--from",
    "list_",
    metavar="CSV",
    type=FILE,
    help="List with the columns crew, bin, picked_at, method, side; one tag for each line.",
)
@click.option("--out", metavar="PDF", required=True, type=PDF, help="The PDF to write.")
@click.option("--paper", type=_PAPER, default="A4", show_default=True, help="Size of the sheets.")
def tags(
    crew: str | None,
    bins: tuple[str, ...],
    picked: str | None,
    method: str | None,
    side: str | None,
    list_: Path | None,
    out: Path,
    paper: str,
) -> None:
    """Write bin tags as a PDF, from the options or from a list; print them at 100 % scale."""
    from scorer.manifest import read_tag_list
    from scorer.printing import print_tags

    named = crew or bins or picked or method or side
    if bool(named) == bool(list_):
        raise click.UsageError("Give either a list by --from, or a tag by --crew, --bin and the like.")
    wanted = or_usage(partial(read_tag_list, list_)) if list_ else _tags_of(crew, bins, picked, method, side)
    for note in or_sentence(partial(print_tags, wanted, out, paper=paper)):
        click.echo(note, err=True)
    click.echo(f"{out}: {len(wanted)} tags; print them at 100 % scale.")


def _tags_of(
    crew: str | None, bins: tuple[str, ...], picked: str | None, method: str | None, side: str | None
) -> list[Tag]:
    from scorer.tag import Tag, clean_field, parse_time

    picked_at = parse_time(picked) if picked else None
    if picked and picked_at is None:
        raise click.UsageError(f"--picked {picked} is not a time; write it as 2026-03-14T09:30.")
    crew, method, side = (clean_field(text) if text else None for text in (crew, method, side))
    named = [clean_field(text) for text in bins] or [None]
    if crew is None and not any(named):
        raise click.UsageError("A tag needs a crew or a bin; give --crew or --bin.")
    return [Tag(crew=crew, bin=bin_, picked_at=picked_at, method=method, side=side) for bin_ in named]
