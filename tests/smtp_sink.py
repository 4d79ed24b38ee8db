"""A mail server that keeps what it is given (the plain part of RFC 5321), for tests."""

from __future__ import annotations

import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field


@dataclass
class Sink:
    """What arrived: (sender, recipients, message as it came) each."""

    port: int = 0
    refuses: frozenset[str] = frozenset()
    kept: list[tuple[str, list[str], bytes]] = field(default_factory=list)


@contextmanager
def smtp_sink(refuses: frozenset[str] = frozenset()) -> Iterator[Sink]:
    """A server on this machine that takes every message, but not for the addresses in `refuses`."""
    sink = Sink(refuses=refuses)

    class Handler(socketserver.StreamRequestHandler):
        def say(self, text: str) -> None:
            self.wfile.write(text.encode() + b"\r\n")

        def handle(self) -> None:
            sender, recipients = "", []
            self.say("220 sink")
            while line := self.rfile.readline():
                text = line.decode().strip()
                word, _, rest = text.partition(" ")
                address = rest.partition("<")[2].partition(">")[0]
                if word.upper() in ("EHLO", "HELO"):
                    self.say("250 sink")
                elif text.upper().startswith("MAIL FROM"):
                    sender, recipients = address, []
                    self.say("250 ok")
                elif text.upper().startswith("RCPT TO"):
                    if address in sink.refuses:
                        self.say("550 no such mailbox")
                    else:
                        recipients.append(address)
                        self.say("250 ok")
                elif word.upper() == "DATA":
                    self.say("354 go on")
                    body = b""
                    while (part := self.rfile.readline()) not in (b".\r\n", b""):
                        body += part[1:] if part.startswith(b".") else part
                    sink.kept.append((sender, recipients, body))
                    self.say("250 kept")
                elif word.upper() == "QUIT":
                    self.say("221 bye")
                    return
                else:
                    self.say("250 ok" if word.upper() in ("RSET", "NOOP") else "502 not known")

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Handler) as server:
        server.daemon_threads = True
        sink.port = server.server_address[1]
        worker = threading.Thread(target=server.serve_forever, daemon=True)
        worker.start()
        try:
            yield sink
        finally:
            server.shutdown()
            worker.join(timeout=10)
