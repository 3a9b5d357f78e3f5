"""The files for hosting, as they are shipped: a proxy in front of the staff's pages, the service
unit, the container. What this machine has no program for is skipped, and named."""

import re
import shutil
import ssl
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from app.shared.places import DataFolder, shipped
from app.upkeep.nightly import Backups
from tests.faults.server import Server, free_port
from tests.letters.mail_server import make_certificate

HOSTING = shipped("demo_data") / "hosting"
NAME = "workshop.likewright.example"
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A studio that is reached through a proxy alone."""
    folder = DataFolder(tmp_path_factory.mktemp("proxied") / "studio")
    server = Server(folder, "--behind-proxy", NAME, plain=False)
    yield server
    server.stop()


@dataclass(frozen=True)
class Proxy:
    """A web server in front of it: how it is started with its shipped file put right for here."""

    program: str
    file: str
    start: Callable[[Path, str], list[str]]


def _nginx(folder: Path, conf: str) -> list[str]:
    conf = conf[: conf.index("server {\n    listen 80;")]
    temp = "".join(f"{name}_temp_path {folder}/t;" for name in (
        "client_body", "proxy", "fastcgi", "uwsgi", "scgi"))  # fmt: skip
    (folder / "nginx.conf").write_text(
        f"daemon off; master_process off; pid {folder}/pid; error_log {folder}/e.log crit;"
        f"events {{}} http {{ {temp} {conf} }}"
    )
    return ["-c", str(folder / "nginx.conf"), "-p", str(folder)]


def _apache(folder: Path, conf: str) -> list[str]:
    conf = conf[: conf.index("<VirtualHost *:80>")]
    program = Path(shutil.which("apache2") or "")
    modules = program.resolve().parents[1] / "lib/apache2/modules"
    used = ("mpm_event", "ssl", "headers", "proxy", "proxy_http", "authz_core", "socache_shmcb")
    load = "".join(f"LoadModule {m}_module {modules}/mod_{m}.so\n" for m in used)
    [port] = re.findall(r"<VirtualHost \*:(\d+)>", conf)
    (folder / "apache.conf").write_text(
        f"ServerRoot {folder}\nPidFile {folder}/pid\nErrorLog {folder}/e.log\n{load}"
        f"Listen 127.0.0.1:{port}\n{conf}"
    )
    return ["-f", str(folder / "apache.conf"), "-DFOREGROUND"]


def _caddy(folder: Path, conf: str) -> list[str]:
    (folder / "Caddyfile").write_text(f"{{\nadmin off\nauto_https disable_redirects\n}}\n{conf}")
    return ["run", "--config", str(folder / "Caddyfile"), "--adapter", "caddyfile"]


PROXIES = (
    Proxy("nginx", "staff-nginx.conf", _nginx),
    Proxy("apache2", "staff-apache.conf", _apache),
    Proxy("caddy", "Caddyfile", _caddy),
)


def put_right(conf: str, server: Server, port: int, tls: tuple[Path, Path]) -> str:
    """The ports and certificate of here in the place of the shipped ones."""
    certificate, key = map(str, tls)
    for old, new in (
        ("listen 443 ssl;", f"listen 127.0.0.1:{port} ssl;"),
        ("<VirtualHost *:443>", f"<VirtualHost *:{port}>"),
        (f"{NAME} {{\n", f"{NAME}:{port} {{\n\ttls {certificate} {key}\n"),
        ("pages.likewright.example {\n", f"http://127.0.0.1:{free_port()} {{\n"),
        ("127.0.0.1:8600", f"127.0.0.1:{server.port}"),
        ("127.0.0.1:8601", f"127.0.0.1:{server.public_port}"),
        ("/etc/ssl/likewright/fullchain.pem", certificate),
        ("/etc/ssl/likewright/key.pem", key),
    ):
        conf = conf.replace(old, new)
    return conf


@pytest.mark.parametrize("proxy", PROXIES, ids=lambda proxy: proxy.program)
def test_a_page_and_its_button_work_through_the_shipped_proxy(
    proxy: Proxy, studio: Server, tmp_path: Path
) -> None:
    program = shutil.which(proxy.program) or shutil.which(proxy.program, path="/usr/sbin")
    if program is None or shutil.which("openssl") is None:
        pytest.skip(f"no {proxy.program} here, or no openssl")
    made, port = make_certificate(tmp_path, f"DNS:{NAME}"), free_port()
    conf = put_right((HOSTING / proxy.file).read_text(), studio, port, (made.cert, made.key))
    args = proxy.start(tmp_path, conf)
    log = (tmp_path / "said").open("wb")
    running = subprocess.Popen([program, *args], stdout=log, stderr=log)
    try:
        with trusting(made.cert, port) as browser:
            page = when_it_answers(browser, "/sign-in", running)
            assert page.status_code == 200
            assert page.headers["strict-transport-security"] == "max-age=31536000"
            origin = {"origin": f"https://{NAME}:{port}"}
            typed = {"name": "Nobody", "password": "wrong all along"}
            assert browser.post("/sign-in", data=typed, headers=origin).status_code == 422
            foreign = {"origin": "https://elsewhere.example"}
            assert browser.post("/sign-in", data=typed, headers=foreign).status_code == 403
            assert browser.get("/health").text == "well\n"
    finally:
        running.terminate()
        running.wait(20)
        log.close()


def trusting(chain: Path, port: int) -> httpx.Client:
    """A browser that knows the name by this machine's own address, and trusts the certificate."""
    context = ssl.create_default_context(cafile=str(chain))
    context.check_hostname = False

    class Here(httpx.HTTPTransport):
        def handle_request(self, request: httpx.Request) -> httpx.Response:
            request.extensions["sni_hostname"] = NAME
            request.url = request.url.copy_with(host="127.0.0.1")
            return super().handle_request(request)

    return httpx.Client(
        transport=Here(verify=context), base_url=f"https://{NAME}:{port}", timeout=10,
    )  # fmt: skip


def when_it_answers(
    browser: httpx.Client, path: str, running: "subprocess.Popen[bytes]"
) -> httpx.Response:
    for _ in range(200):
        try:
            return browser.get(path)
        except httpx.TransportError:
            assert running.poll() is None, "it ended"
            time.sleep(0.05)
    raise AssertionError("it never answered")


# ---------------------------------------------------------------- the service, the container


def test_the_unit_is_one_that_systemd_takes(tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("no systemd here")
    unit = (HOSTING / "likewright.service").read_text()
    own = unit.replace("/opt/likewright/bin/likewright", shutil.which("true") or "/bin/true")
    path = tmp_path / "likewright.service"
    path.write_text(own)
    done = subprocess.run(
        ["systemd-analyze", "verify", str(path)], capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_every_setting_that_the_files_name_is_one(monkeypatch: pytest.MonkeyPatch) -> None:
    readme = (ROOT / "README.md").read_text()
    named = set()
    for file in HOSTING.iterdir():
        named |= set(re.findall(r"LIKEWRIGHT_[A-Z_]+", file.read_text()))
    assert "LIKEWRIGHT_SMTP_URL" in named
    # In the README's table, or one of those that it names by their end ("…_EVERY_MINUTES").
    known = {name for name in named if f"`{name}`" in readme}
    assert {f"…{name.removeprefix('LIKEWRIGHT_PUBLISH')}" for name in named - known} <= set(
        re.findall(r"`(…_[A-Z_]+)`", readme)
    )
    monkeypatch.setenv("LIKEWRIGHT_BACKUPS", "/backups")
    assert Backups.read().backups == Path("/backups")


def test_the_container_runs_without_root_on_a_disk_that_is_read_only() -> None:
    file, compose = ((HOSTING / name).read_text() for name in ("Containerfile", "compose.yaml"))
    steps = re.findall(r"^([A-Z]+) ", file, re.M)
    assert steps.index("USER") < steps.index("ENTRYPOINT")
    assert "USER 10001" in file
    assert "/health" in file
    volumes = re.findall(r'"(/\w+)"', file.partition("VOLUME")[2].partition("\n")[0])
    assert {"/data", "/backups", "/pages"} == set(volumes)
    for line in (
        "read_only: true",
        "no-new-privileges:true",
        "- ALL",
        "condition: service_healthy",
    ):
        assert line in compose
    mounted = set(re.findall(r"^      - \w+:(/\w+)$", compose, re.M))
    assert mounted == {"/data", "/backups", "/pages"}
    assert not re.search(r"password", compose.partition("\nname:")[2], re.I)
