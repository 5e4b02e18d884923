"""``hubproof schema``: what a result looks like, for programs that read it."""

from __future__ import annotations

import click


def _known(ctx: click.Context, parameter: click.Parameter, kind: str) -> str:
    """The kinds are known only once the analysis is loaded."""
    from analysis.schemas import RESULTS

    if kind not in RESULTS:
        raise click.BadParameter(
            f"unknown kind {kind!r}; expected one of {', '.join(RESULTS)}", ctx=ctx, param=parameter
        )
    return kind


@click.command(short_help="Print the JSON Schema of a result.")
@click.argument("kind", callback=_known)
def command(kind: str) -> None:
    """Print the JSON Schema of a result.

    KIND is runout, endplay, bore or rest. Every result that `hubproof analyse --json` prints, and every
    result that is stored, validates against it.
    """
    import json

    from analysis.schemas import result_schema

    click.echo(json.dumps(result_schema(kind), indent=2, ensure_ascii=False))
