"""The station as a command sees it: the running daemon, or a bench in this very process."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol
from urllib.parse import quote

from capture.check_messages import CheckRequest, IndicatorCard
from capture.folder import Owned, read_place
from capture.messages import ANY_MESSAGE, CheckProgress, IndicatorState, Message, RunProgress, RunRequest
from config.errors import HubproofError, InputError, LinkError, StoreError

if TYPE_CHECKING:
    import httpx

    from capture.bench import Bench
    from config.indicators import Indicator
    from config.limits import Limit

TIMEOUT_S = 10.0
RESULT_WITHIN_S = 120.0
"""A stopped run answers when its result is stored: a small computer takes its time over a long one."""
KINDS: dict[str, type[HubproofError]] = {
    "InputError": InputError,
    "LinkError": LinkError,
    "StoreError": StoreError,
}


class Station(Protocol):
    """What a command may ask of a station, wherever that runs. All raise `HubproofError`."""

    @property
    def place(self) -> str:
        """Where the station runs, for people."""
        ...

    async def indicators(self) -> tuple[IndicatorState, ...]:
        """How each indicator stands."""
        ...

    async def cards(self) -> tuple[IndicatorCard, ...]:
        """Each indicator as described, how it stands, and its last check."""
        ...

    async def start_check(self, indicator: str, request: CheckRequest) -> CheckProgress:
        """Begin to check an indicator."""
        ...

    async def stop_check(self, indicator: str) -> None:
        """Give up the check that goes on."""
        ...

    async def start_run(self, request: RunRequest) -> RunProgress:
        """Begin a run."""
        ...

    async def mark(self, run: str) -> None:
        """The index mark passes now."""
        ...

    async def stop_run(self, run: str) -> None:
        """End a run with what it has."""
        ...

    def listen(self) -> AbstractAsyncContextManager[AsyncIterator[Message]]:
        """Messages from now on, after how everything stands. Listen before a run is begun."""
        ...


class BenchStation:
    """A bench in this process."""

    place = "in this process"

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    async def indicators(self) -> tuple[IndicatorState, ...]:
        """See `Station`."""
        return self._bench.indicators()

    async def cards(self) -> tuple[IndicatorCard, ...]:
        """See `Station`."""
        return await self._bench.checks.cards()

    async def start_check(self, indicator: str, request: CheckRequest) -> CheckProgress:
        """See `Station`."""
        return await self._bench.checks.start(self._bench.checks.described(indicator), request)

    async def stop_check(self, indicator: str) -> None:
        """See `Station`."""
        await self._bench.checks.stop(indicator)

    async def start_run(self, request: RunRequest) -> RunProgress:
        """See `Station`."""
        return await self._bench.start_run(request)

    async def mark(self, run: str) -> None:
        """See `Station`."""
        self._bench.mark(run)

    async def stop_run(self, run: str) -> None:
        """See `Station`."""
        await self._bench.stop_run(run)

    @contextlib.asynccontextmanager
    async def listen(self) -> AsyncIterator[AsyncIterator[Message]]:
        """See `Station`."""
        subscription = self._bench.fanout.subscribe()
        try:
            yield _after((*self._bench.indicators(), *self._bench.active()), subscription.messages())
        finally:
            self._bench.fanout.unsubscribe(subscription)


async def _after(first: Sequence[Message], rest: AsyncIterator[Message]) -> AsyncIterator[Message]:
    for message in first:
        yield message
    async for message in rest:
        yield message


class DaemonStation:
    """A daemon behind its door.

    Args:
        address: as the daemon told it, ``http://127.0.0.1:4870``.
        client: open, for `address`.
    """

    def __init__(self, address: str, client: httpx.AsyncClient) -> None:
        self._address = address
        self._client = client
        self.place = f"the daemon at {address}"

    async def indicators(self) -> tuple[IndicatorState, ...]:
        """See `Station`."""
        told = await self.ask("GET", "/indicators")
        return tuple(IndicatorState.model_validate(each) for each in told)

    async def cards(self) -> tuple[IndicatorCard, ...]:
        """See `Station`."""
        told = await self.ask("GET", "/api/indicators")
        return tuple(IndicatorCard.model_validate(each) for each in told)

    async def start_check(self, indicator: str, request: CheckRequest) -> CheckProgress:
        """See `Station`."""
        body = request.model_dump(mode="json", exclude_none=True)
        return CheckProgress.model_validate(await self.ask("POST", self._check_of(indicator), body))

    async def stop_check(self, indicator: str) -> None:
        """See `Station`."""
        await self.ask("DELETE", self._check_of(indicator))

    @staticmethod
    def _check_of(indicator: str) -> str:
        return f"/api/indicators/{quote(indicator, safe='')}/check"

    async def start_run(self, request: RunRequest) -> RunProgress:
        """See `Station`."""
        body = request.model_dump(mode="json", exclude_none=True)
        return RunProgress.model_validate(await self.ask("POST", "/runs", body))

    async def mark(self, run: str) -> None:
        """See `Station`."""
        await self.ask("POST", f"/runs/{run}/mark")

    async def stop_run(self, run: str) -> None:
        """See `Station`."""
        await self.ask("POST", f"/runs/{run}/stop", within_s=RESULT_WITHIN_S)

    async def ask(self, method: str, path: str, body: Any = None, *, within_s: float = TIMEOUT_S) -> Any:
        """What the daemon answers to a request within so many seconds, as JSON.

        Raises:
            LinkError: it does not answer.
            HubproofError: it refuses; the error is the daemon's own.
        """
        import httpx

        try:
            answer = await self._client.request(method, path, json=body, timeout=within_s)
        except httpx.HTTPError as error:
            raise self._gone(error) from error
        if answer.is_success:
            return answer.json() if answer.content else None
        raise self._told(answer)

    def _gone(self, error: Exception) -> LinkError:
        what = f"the daemon does not answer ({type(error).__name__})"
        return LinkError(what, where=self._address, do="start it again with hubproof serve")

    def _told(self, answer: httpx.Response) -> HubproofError:
        try:
            told = answer.json()
        except ValueError:
            told = {}
        error = told.get("error") if isinstance(told, dict) else None
        if not isinstance(error, dict):  # the framework's own refusal of what does not fit the contract
            return InputError(f"the daemon refused: {answer.text[:200]}", where=self._address)
        kind = KINDS.get(str(error.get("kind")), HubproofError)
        return kind(
            str(error.get("what")),
            where=error.get("where"),
            expected=error.get("expected"),
            do=error.get("do"),
        )

    @contextlib.asynccontextmanager
    async def listen(self) -> AsyncIterator[AsyncIterator[Message]]:
        """See `Station`."""
        from websockets.asyncio.client import connect
        from websockets.exceptions import WebSocketException

        url = self._address.replace("http://", "ws://", 1) + "/live"
        try:
            socket = await connect(url, proxy=None, compression=None, max_size=1 << 22)
        except (OSError, WebSocketException) as error:
            raise self._gone(error) from error
        async with socket:
            try:
                yield self._messages(socket)
            except WebSocketException as error:  # it was killed, or the computer it runs on
                raise self._gone(error) from error

    async def _messages(self, socket: Any) -> AsyncIterator[Message]:
        async for frame in socket:  # ends when the daemon closes
            for text in frame.split("\n"):
                yield ANY_MESSAGE.validate_json(text)


async def daemon_of(data: Path) -> str | None:
    """The address of the daemon that works with `data` and answers, or None."""
    import httpx

    place = read_place(data)
    if place is None:
        return None
    try:
        async with httpx.AsyncClient(base_url=place.address, timeout=2.0, trust_env=False) as client:
            answer = await client.get("/health")
            ours = answer.is_success and answer.json().get("pid") == place.pid
    except (httpx.HTTPError, ValueError):
        return None
    return place.address if ours else None


@contextlib.asynccontextmanager
async def open_station(
    data: Path,
    settings: Callable[[], tuple[tuple[Indicator, ...], tuple[Limit, ...]]],
) -> AsyncIterator[Station]:
    """The running daemon of `data`, or a bench in this process when none runs.

    Args:
        data: the station's folder.
        settings: loads the indicators to supervise and the limits; called only without a daemon.

    Raises:
        HubproofError: what keeps the station from working.
    """
    address = await daemon_of(data)
    if address is not None:
        import httpx

        async with httpx.AsyncClient(base_url=address, timeout=TIMEOUT_S, trust_env=False) as client:
            yield DaemonStation(address, client)
        return
    indicators, limits = settings()
    from capture.bench import Bench
    from capture.interpreter import settle_in

    with _owned(data):
        settle_in()
        async with Bench(data, indicators, limits) as bench:
            yield BenchStation(bench)


@contextlib.contextmanager
def _owned(data: Path) -> Iterator[None]:
    with Owned(data):
        yield
