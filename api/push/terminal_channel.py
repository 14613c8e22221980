"""Messages as plain sentences on a stream: the terminal of who started the service. No colours, no control characters."""

import threading
from typing import TextIO

from api.ports import Message, PushFailed

WORDS = {"high": "URGENT", "medium": "Warning", "low": "Note"}


class TerminalChannel:
    """Writes whole messages; two channels on one stream never mix their lines."""

    _lock = threading.Lock()

    def __init__(self, name: str, stream: TextIO) -> None:
        self.name, self._stream = name, stream

    def push(self, message: Message) -> None:
        lines = [f"{WORDS.get(message.priority, 'Note')}: {message.title}", *(f"    {line}" for line in message.text.splitlines())]
        text = "\n".join("".join(c for c in line if c.isprintable()) for line in lines) + "\n"
        try:
            with self._lock:
                self._stream.write(text)
                self._stream.flush()
        except (OSError, ValueError) as e:
            raise PushFailed(f"the terminal does not take it: {type(e).__name__}") from e
