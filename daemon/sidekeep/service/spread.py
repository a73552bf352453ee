"""Handing jobs to other machines: a Dask scheduler's workers, all of which see the same root.

Needs the extra `spread`; without the setting of that name nothing of it is imported. What runs there
is the same child process as here, so limits, locks and bytes are the same. When a machine dies, its
child dies with it and the scheduler hands the job, which still lies whole in `work/`, to another one.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from concurrent.futures import Executor, Future
from concurrent.futures import wait as wait_for
from typing import Any, ParamSpec, TypeVar

from sidekeep.errors import MachineFault
from sidekeep.service.executor import end_children

CONNECT_S = 10.0
_STOPPING_S = 30.0  # a machine that does not answer any more is left to itself

P = ParamSpec("P")
T = TypeVar("T")


class Spread(Executor):
    """Runs calls on the workers of a Dask scheduler.

    Args:
        address: the scheduler's, such as `tcp://desk:8786`.
        root: the root folder, under the same name on all machines.

    Raises:
        MachineFault: the extra is not installed.
    """

    def __init__(self, address: str, root: str) -> None:
        try:
            self._distributed: Any = importlib.import_module("distributed")
        except ModuleNotFoundError as error:
            raise MachineFault(
                "The setting 'spread' needs the package distributed, which is not installed.",
                "Install the extra: pip install 'sidekeep[spread]'; or remove the setting.",
            ) from error
        self._address, self._root = address, root
        self._client: Any = None
        self._calls: set[Future[Any]] = set()

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Hand a call to the scheduler.

        Raises:
            OSError: the scheduler does not answer.
        """
        # Not pure: the same call made again is the same job tried again.
        hands = self._connected().get_executor(pure=False)
        call: Future[T] = hands.submit(fn, *args, **kwargs)
        self._calls.add(call)
        call.add_done_callback(self._calls.discard)
        return call

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002
        """Stop taking calls; with `cancel_futures` the children on all machines are ended as well."""
        client, self._client = self._client, None
        if client is None:
            return
        if cancel_futures:
            _end(client, self._root)
        if wait:
            wait_for(self._calls.copy(), timeout=_STOPPING_S if cancel_futures else None)
        for call in self._calls.copy():
            call.cancel()
        client.close()

    def _connected(self) -> Any:
        """The connection to the scheduler; made anew when it was lost."""
        if self._client is None or self._client.status != "running":
            self._client = self._distributed.Client(
                self._address, timeout=CONNECT_S, set_as_default=False
            )
        return self._client


def _end(client: Any, root: str) -> None:
    """End the children of this root wherever they run."""
    try:
        client.run(end_children, root, on_error="ignore")
    except OSError:
        return  # nobody answers; what still runs there ends by its own limits
