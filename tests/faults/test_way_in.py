"""Beyond this machine the staff's pages are only reached encrypted; else it is refused in words."""

import http.client
import shutil
import socket
import ssl
import subprocess
import sys
from pathlib import Path

import pytest

from app.publishing import sending
from app.serving import Way, WrongUsage, check_certificate, way
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.shared.settings import data_folder
from app.upkeep import nightly
from tests.faults.server import Client, Server, sign_in
from tests.making import CAST

C, K = Path("c.pem"), Path("k.pem")


@pytest.mark.parametrize(
    ("host", "certificate", "key", "names", "behind", "proxies", "why"),
    [
        ("0.0.0.0", None, None, [], [], [], "in the clear"),
        ("192.168.1.20", None, None, ["desk.example"], [], [], "in the clear"),
        ("::", None, None, [], [], [], "in the clear"),
        ("192.168.1.20", C, None, [], [], [], "go together"),
        ("127.0.0.1", None, K, [], [], [], "go together"),
        ("127.0.0.1", C, K, [], ["desk.example"], [], "not both"),
        ("0.0.0.0", C, K, [], [], [], "--name"),
        ("192.168.1.20", None, None, [], ["desk.example"], [], "--proxy-address"),
        ("192.168.1.20", C, K, [], [], ["192.168.1.2"], "--behind-proxy"),
        ("the-desk", C, K, [], [], [], "Write it like"),
        ("127.0.0.1", None, None, [], ["desk.example"], ["a proxy"], "Write it like"),
    ],
)
def test_what_could_be_read_along_is_refused(
    host, certificate, key, names, behind, proxies, why
) -> None:
    with pytest.raises(WrongUsage, match=why):
        way(host, certificate, key, names, behind, proxies)


def test_the_names_that_are_accepted() -> None:
    assert way("127.0.0.1", None, None, [], [], []) == Way()
    assert way("localhost", None, None, [], [], []) == Way()
    tls = way("192.168.1.20", C, K, ["Desk.example"], [], [])
    assert {"192.168.1.20", "desk.example", "localhost"} <= set(tls.hosts())
    assert tls.address(8600) == "https://desk.example:8600"
    assert way("fd00::7", C, K, [], [], []).address(8600) == "https://[fd00::7]:8600"
    assert "[fd00::7]" in way("fd00::7", C, K, [], [], []).hosts()
    behind = way("127.0.0.1", None, None, [], ["desk.example:443"], [])
    assert "desk.example" in behind.hosts()
    assert behind.address(8600) == "https://desk.example"
    assert behind.proxies == ("127.0.0.1", "::1")


def test_a_host_may_be_a_name_that_this_machine_knows(monkeypatch) -> None:
    known = {"workshop.lan": "192.168.1.20", "own-name": "127.0.1.1"}

    def look_up(name, port):
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (known[name], 0))]

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    named = way("workshop.lan", C, K, ["desk.example"], [], [])
    assert named.host == "192.168.1.20"
    assert {"192.168.1.20", "workshop.lan", "desk.example"} <= set(named.hosts())
    assert named.address(8600) == "https://workshop.lan:8600"
    with pytest.raises(WrongUsage, match="no tablet would reach it"):
        way("own-name", C, K, [], [], [])
    with pytest.raises(WrongUsage, match="in the clear"):
        way("workshop.lan", None, None, [], [], [])


def test_at_the_prompt_it_is_wrong_usage(tmp_path) -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "app", "serve", "--host", "0.0.0.0", "--data", str(tmp_path / "d")],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert ended.returncode == 64
    assert "passwords would travel in the clear" in ended.stderr
    assert not (tmp_path / "d").exists()


def test_a_certificate_that_cannot_be_used_is_said(tmp_path) -> None:
    bad = tmp_path / "c.pem"
    bad.write_text("no certificate")
    with pytest.raises(CannotStart, match="cannot be used with the key"):
        check_certificate(Way("127.0.0.1", (), bad, bad))
    with pytest.raises(CannotStart, match="No such file"):
        check_certificate(Way("127.0.0.1", (), tmp_path / "none", bad))


def test_with_a_certificate_the_pages_come_encrypted_and_only_under_known_names(
    folder: DataFolder, tmp_path
) -> None:
    if shutil.which("openssl") is None:
        pytest.skip("no openssl here to make a certificate with")
    certificate, key = tmp_path / "c.pem", tmp_path / "k.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
         "-nodes", "-days", "2", "-subj", "/CN=desk.example", "-keyout", str(key),
         "-addext", "subjectAltName=DNS:desk.example", "-out", str(certificate)],
        check=True, capture_output=True, timeout=30,
    )  # fmt: skip
    cookie = sign_in(folder, CAST.desk)[CAST.desk.name]
    server = Server(
        folder, "--certificate", str(certificate), "--certificate-key", str(key),
        "--name", "desk.example", plain=False,
    )  # fmt: skip
    try:
        assert server.answers
        trusted = ssl.create_default_context(cafile=str(certificate))
        for host, status in (("desk.example", 200), ("evil.example", 400)):
            with (
                socket.create_connection(("127.0.0.1", server.port), timeout=10) as plain,
                trusted.wrap_socket(plain, server_hostname="desk.example") as sock,
            ):
                assert sock.version() in ("TLSv1.2", "TLSv1.3")
                sock.sendall(
                    f"GET / HTTP/1.1\r\nHost: {host}:{server.port}\r\nConnection: close\r\n"
                    f"Cookie: __Host-likewright={cookie}\r\n\r\n".encode()
                )
                said = b""
                while more := sock.recv(65_536):
                    said += more
                assert said.startswith(f"HTTP/1.1 {status}".encode())
                assert b"strict-transport-security: max-age=31536000\r\n" in said
        with Client(server.port) as plainly, pytest.raises((http.client.HTTPException, OSError)):
            plainly.get("/")
    finally:
        server.stop()


def test_behind_a_proxy_only_the_proxy_may_connect(folder: DataFolder) -> None:
    cookie = sign_in(folder, CAST.desk)[CAST.desk.name]
    server = Server(
        folder, "--behind-proxy", "desk.example", "--proxy-address", "127.0.0.2", plain=False
    )
    try:
        assert server.answers
        with (
            Client(server.port, cookie) as somebody,
            pytest.raises((http.client.HTTPException, OSError)),
        ):
            somebody.get("/")
        proxy = http.client.HTTPConnection(
            "127.0.0.1", server.port, timeout=10, source_address=("127.0.0.2", 0)
        )
        for host, status in (("desk.example", 200), ("evil.example", 400)):
            proxy.request(
                "GET", "/", headers={"Host": host, "Cookie": f"__Host-likewright={cookie}"}
            )
            answer = proxy.getresponse()
            answer.read()
            assert answer.status == status
            assert answer.getheader("strict-transport-security") == "max-age=31536000"
        proxy.close()
    finally:
        server.stop()


def test_in_the_clear_on_this_machine_no_browser_is_told_to_ask_encrypted(
    folder: DataFolder,
) -> None:
    with Server(folder) as server, Client(server.port) as client:
        client.connection.request("GET", "/sign-in")
        answer = client.connection.getresponse()
        answer.read()
        assert answer.status == 200
        assert answer.getheader("strict-transport-security") is None


@pytest.mark.parametrize(
    ("name", "value", "look", "why"),
    [
        ("LIKEWRIGHT_PUBLISH_EVERY_MINUTES", "often", sending.set_up, "_EVERY_MINUTES"),
        ("LIKEWRIGHT_PUBLISH_EVERY_MINUTES", "-1", sending.set_up, "_EVERY_MINUTES"),
        ("LIKEWRIGHT_PUBLISH_THEN", "'half a", sending.set_up, "cannot be read"),
        ("LIKEWRIGHT_BACKUPS_KEEP", "0", nightly.Backups.read, "_BACKUPS_KEEP"),
        ("LIKEWRIGHT_TAGGED_SENDER", "perhaps", lambda: data_folder(None), "_TAGGED_SENDER"),
    ],
)
def test_an_environment_that_makes_no_sense_is_said_before_anything_is_opened(
    name, value, look, why, monkeypatch
) -> None:
    monkeypatch.setenv(name, value)
    with pytest.raises(CannotStart, match=why):
        look()
