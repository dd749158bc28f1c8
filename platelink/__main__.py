"""``python -m platelink``: the command line where its script is not on the path."""

from platelink.cli import main

main(prog_name="platelink")
