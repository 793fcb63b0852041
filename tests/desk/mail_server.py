"""A real SMTP server on this machine that keeps what it is given, with a certificate made for the test where it speaks TLS."""

import socket
import ssl
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy
from ipaddress import ip_address

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from tests.browser.served import HERE, PATIENCE_S


class Box:
    """What a server was given, and what it is to refuse: by address or at the end of a message, with this answer."""

    def __init__(self):
        self.taken = []
        self.refuse = {}
        self.at_the_end = ""
        self.over_tls = []
        self.logged_in = []

    @property
    def messages(self):
        """Each message parsed back."""
        return [message_from_bytes(envelope.content, policy=policy.default) for envelope in self.taken]

    async def handle_RCPT(self, server, session, envelope, address, options):  # noqa: N802 - aiosmtpd's name
        if address in self.refuse:
            return self.refuse[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):  # noqa: N802 - aiosmtpd's name
        if self.at_the_end:
            return self.at_the_end
        self.taken.append(envelope)
        self.over_tls.append(session.ssl is not None or server.transport.get_extra_info("sslcontext") is not None)
        self.logged_in.append(session.authenticated)
        return "250 OK"


@contextmanager
def mail_server(box, **settings):
    """A server on a free port; settings as aiosmtpd's Controller takes them.

    Returns: its port.
    """
    held = socket.create_server((HERE, 0))
    running = _Held(box, HERE, held.getsockname()[1], server_hostname="mail.test", ready_timeout=PATIENCE_S, **settings)
    running.held = held
    running.start()
    try:
        yield running.port
    finally:
        running.stop()


class _Held(Controller):
    """A server on a port that it holds already, so that nobody can take it before."""

    held: socket.socket

    def _create_server(self):
        return self.loop.create_server(self._factory_invoker, sock=self.held, ssl=self.ssl_context)


def certificate(folder, name="localhost"):
    """A self-made certificate for a name, and for the address 127.0.0.1 where it is localhost.

    Returns: the context of a server that has it, and the context of a client that trusts it and nobody else.
    """
    key, of = ec.generate_private_key(ec.SECP256R1()), x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    names = [x509.DNSName(name)] + ([x509.IPAddress(ip_address(HERE))] if name == "localhost" else [])
    now = datetime.now(UTC)
    made = x509.CertificateBuilder(of, of, key.public_key(), x509.random_serial_number(), now - timedelta(1), now + timedelta(1))
    made = made.add_extension(x509.SubjectAlternativeName(names), critical=False)
    made = made.add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True).sign(key, hashes.SHA256())
    pem = made.public_bytes(serialization.Encoding.PEM)
    private = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    path = folder / f"{name}.pem"
    path.write_bytes(pem + key.private_bytes(*private))
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(path)
    return server, ssl.create_default_context(cadata=pem.decode())


def knows(name, password):
    """What asks a server's clients for this name and password."""

    def asked(server, session, envelope, mechanism, data):
        fits = (data.login, data.password) == (name.encode(), password.encode())
        return AuthResult(success=fits, handled=False)  # not handled: the server is to answer

    return asked
