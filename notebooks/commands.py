"""The console command `outcomes`: runs what was typed, and says in one line what went wrong.

Only what a subcommand needs is imported, and when it is asked for: help and version must come at once.
"""

import gc
import os
import sys
from collections.abc import Sequence

from notebooks.command_line.arguments import command_parser
from notebooks.command_line.printed import refused

ALONE = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line. Exit status 0: all went well; 1: something must be done; 2: a wrong call."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")  # minus signs and dashes on any console
    options = command_parser().parse_args(arguments)
    if "numpy" not in sys.modules:  # the same digits on any number of cores; the work is spread over processes
        os.environ.update(dict.fromkeys(ALONE, "1"))
    from outcomes.errors import InstrumentError, StudyError
    from stats.errors import FitError, PlanError

    try:
        status = options.run(options)
        sys.stdout.flush()
        return status
    except BrokenPipeError:  # whoever read the output has enough: nothing is wrong, nothing more can be said
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except (StudyError, InstrumentError, FitError, PlanError) as error:
        return refused(str(error))
    except OSError as error:
        where = f" ({error.filename})" if error.filename else ""
        return refused(f"A file or folder cannot be read or written{where}: {error.strerror or error}.")
    except KeyboardInterrupt:
        return refused("Stopped. What was there before is as it was.")


def console() -> int:
    """The command line as a process of its own, which ends at once: what it holds need not be looked through for cycles
    before it is let go (0.7 s after a report).
    """
    status = main()
    gc.freeze()
    return status
