"""What every fit asks and shows alike: on how many processes or which cluster it works, and how much is left."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager

from ebbset.console.progress import counted, progress
from ebbset.simulators.closed_loop.cluster import ClusterError
from ebbset.simulators.closed_loop.parallel import Mapper, mapping


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add ``--workers`` and ``--dask``.

    Args:
        parser: of the fit.
    """
    parser.add_argument("--workers", type=_count, help="processes, one per core by default; the results are the same")
    parser.add_argument(
        "--dask",
        metavar="ADDRESS",
        help="work on the Dask cluster of this scheduler, whose workers find this folder (PYTHONPATH)",
    )


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r}; allowed: a whole number of 1 or more")
    return int(text)


@contextmanager
def shared_out(options: argparse.Namespace, what: str) -> Iterator[Mapper]:
    """A mapper that works as the options ask and shows its progress.

    Args:
        options: with those of `add_options`.
        what: is being done, as the line of progress begins.

    Raises:
        SystemExit: the options cannot be used, or the cluster was lost; says why.
    """
    try:
        with mapping(options.workers, options.dask) as mapper, progress(what) as show:
            yield counted(mapper, show)
    except ClusterError as error:
        raise SystemExit(str(error)) from None
