"""A limit on how fast one caller is listened to: it is slowed, nothing is refused or lost."""

import asyncio


class Pace:
    """Lets `rate` messages a second through on average, and one second's worth at once.

    A rate of 0 is no limit. While it waits nothing is read, so that TCP slows the sender.
    """

    def __init__(self, rate: float) -> None:
        self._rate = rate
        self._ahead = 0.0  # when, on the loop's clock, what was let through is paid for

    async def keep(self, messages: int) -> None:
        """Wait until `messages` more may be taken."""
        if not self._rate:
            return
        now = asyncio.get_running_loop().time()
        self._ahead = max(self._ahead, now) + messages / self._rate
        if (wait := self._ahead - now - 1.0) > 0:
            await asyncio.sleep(wait)
