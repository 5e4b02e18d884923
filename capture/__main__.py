"""``python -m capture`` is ``hubproof``: the daemon is started this way from other commands."""

from capture.commands import main

main()
