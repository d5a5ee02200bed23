"""`completion`: the script that lets a shell complete commands, options, suites and runs."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

VARIABLE = "_VERIFIER_COMPLETE"


@click.command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@click.pass_context
def completion(ctx: click.Context, shell: str) -> None:
    """Print the script that completes words after `verifier` in a shell.

    \b
    bash  eval "$(verifier completion bash)"      in ~/.bashrc
    zsh   eval "$(verifier completion zsh)"       in ~/.zshrc
    fish  verifier completion fish | source       in ~/.config/fish/config.fish
    """
    made_for = get_completion_class(shell)
    if made_for is None:  # pragma: no cover - click brings all three
        raise click.UsageError(f"click knows no completion for {shell}")
    click.echo(made_for(ctx.find_root().command, {}, "verifier", VARIABLE).source())
