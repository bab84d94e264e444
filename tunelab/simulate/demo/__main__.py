"""Write the demo workspace: `python -m tunelab.simulate.demo OUT`."""

import argparse
from pathlib import Path

from tunelab.simulate.demo import write_demo


def main() -> None:
    """Read the arguments and write."""
    parser = argparse.ArgumentParser(prog="python -m tunelab.simulate.demo", description=__doc__)
    parser.add_argument(
        "out", type=Path, metavar="OUT", help="folder to write; what is in it already is replaced by name"
    )
    write_demo(parser.parse_args().out)


if __name__ == "__main__":
    main()
