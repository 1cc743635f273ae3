"""A real SMTP server on the loopback that keeps what it is given."""

from __future__ import annotations

import asyncio
import email
import email.policy
import threading
from contextlib import contextmanager

from aiosmtpd.smtp import SMTP, AuthResult


class Mailbox:
    """What the server took, and how it answers; it is its own handler, as aiosmtpd asks."""

    def __init__(self, refused=()):
        self.refused = set(refused)
        self.say_after_data = "250 taken"
        self.hangs_up = False
        self.envelopes = []
        self.signed_in = []
        self.under_tls = []

    @property
    def mails(self):
        """Return the mails taken, parsed."""
        parse, policy = email.message_from_bytes, email.policy.default
        return [parse(envelope.content, policy=policy) for envelope in self.envelopes]

    @property
    def texts(self):
        """Return what the mails say, with the ends of line of this language."""
        texts = [mail.get_body(("plain",)).get_content() for mail in self.mails]
        return [text.replace("\r\n", "\n") for text in texts]

    async def handle_RCPT(self, _server, _session, envelope, address, _options):  # noqa: N802 - aiosmtpd's name
        if address in self.refused:
            return "550 5.1.1 nobody of that name"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _server, session, envelope):  # noqa: N802 - aiosmtpd's name
        if self.say_after_data.startswith("250"):
            self.envelopes.append(envelope)
            self.under_tls.append(session.ssl is not None)
        return self.say_after_data

    async def handle_QUIT(self, server, _session, _envelope):  # noqa: N802 - aiosmtpd's name
        if self.hangs_up:
            server.transport.abort()
        return "221 goodbye"

    def authenticate(self, _server, _session, _envelope, mechanism, given):
        """Take one name and password."""
        self.signed_in.append((mechanism, given.login, given.password))
        known = (given.login, given.password) == (b"shop", b"a pass phrase")
        return AuthResult(success=known, handled=False)


@contextmanager
def mail_server(mailbox, *, tls=None, **options):
    """Run an SMTP server with a mailbox; yield its port. `tls`: speak it from the first byte."""
    loop = asyncio.new_event_loop()
    callers = []

    def answer():
        # Named, so that it asks no name server for the name of this machine.
        callers.append(SMTP(mailbox, hostname="mail.invalid", loop=loop, **options))
        return callers[-1]

    async def open_port():
        return await loop.create_server(answer, "127.0.0.1", 0, ssl=tls)

    async def close(server):
        server.close()
        tasks = asyncio.all_tasks() - {asyncio.current_task()}
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for caller in callers:
            if caller.transport is not None:
                caller.transport.abort()
        for connection in list(loop._transports.values()):  # those under TLS that say goodbye
            connection.abort()
        for _ in range(20):  # the loop's turns in which connections end
            await asyncio.sleep(0)

    # The loop runs in its thread from the first: here a browser's own loop may be running.
    thread = threading.Thread(target=loop.run_forever, name="mail server")
    thread.start()
    server = asyncio.run_coroutine_threadsafe(open_port(), loop).result()
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        asyncio.run_coroutine_threadsafe(close(server), loop).result()
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()
