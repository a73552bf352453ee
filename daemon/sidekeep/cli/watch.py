"""The service, in the foreground: watches the inbox and works on what arrives, until it is stopped.

SIGTERM or Ctrl-C stops it, SIGHUP reloads the rule sets, SIGUSR1 makes it look at once. It logs to
standard error, one JSON object a line.
"""

from __future__ import annotations

import argparse

from sidekeep.cli import exit_codes
from sidekeep.cli.output import complain
from sidekeep.cli.place import preferences_of
from sidekeep.errors import Refused, WrittenWrong
from sidekeep.service.assembly import assemble
from sidekeep.service.notify import Notifier
from sidekeep.service.steady import settle_memory
from sidekeep.service.supervise import serve


def run(arguments: argparse.Namespace) -> int:
    """Serve until told to stop."""
    try:
        with assemble(preferences_of(arguments)) as service:
            settle_memory()
            serve(service, Notifier())
    except Refused as error:
        complain(error)
        return exit_codes.BUSY
    except WrittenWrong as error:
        complain(error)
        return exit_codes.WRONG_SETTINGS
    return exit_codes.DONE
