"""The proxies' files that ship, in real nginx and Caddy before a real console."""

from __future__ import annotations

import os
import re
import shutil
import ssl
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from deploy.broker import answers, free_port
from deploy.waiting import until
from review.access.visitor import Role
from tests.brokers import PATIENCE_S
from tests.deploy.authority import Authority
from tests.review.front_door import OUTSIDE, Door, form_secret, front_door
from tests.review.stage import PASSWORD, account

SHIPPED = Path(__file__).resolve().parents[2] / "deploy" / "proxies"
NAME = "fleet.northfold.example"


def found(program: str) -> str:
    """Say where a proxy is installed; in CI it must be."""
    path = shutil.which(program, path=f"{os.environ['PATH']}:/usr/sbin:/sbin")
    if path is None:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(f"{program} is not installed")
    return path


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What the files are to say instead of an administrator's own."""

    folder: Path
    authority: Authority
    console: int
    secure: int
    plain: int

    def certified(self, text: str) -> str:
        papers = self.authority.papers("broker")
        return text.replace("/etc/ssl/heatbook/fullchain.pem", str(papers.cert)).replace(
            "/etc/ssl/heatbook/key.pem", str(papers.key)
        )


def nginx(setting: Setting) -> list[str]:
    text = setting.certified((SHIPPED / "nginx.conf").read_text())
    text = text.replace("127.0.0.1:8480", f"127.0.0.1:{setting.console}")
    for wanted, port in (("443", setting.secure), ("80", setting.plain)):
        assert f"listen {wanted}" in text
        text = text.replace(f"listen {wanted}", f"listen {port}")
        text = text.replace(f"listen [::]:{wanted}", f"listen [::1]:{port}")
    file = setting.folder / "nginx.conf"
    here = setting.folder
    file.write_text(
        f"daemon off; pid {here}/pid; error_log {here}/error.log; worker_processes 1;\n"
        "events {}\n"
        f"http {{ client_body_temp_path {here}/body; proxy_temp_path {here}/proxy;\n"
        f"fastcgi_temp_path {here}/f; uwsgi_temp_path {here}/u; scgi_temp_path {here}/s;\n"
        # Debian's own file: gzip is on there, and old versions of TLS are.
        "ssl_protocols TLSv1 TLSv1.1 TLSv1.2 TLSv1.3; gzip on; gzip_types text/event-stream;\n"
        f"{text} }}\n"
    )
    if os.geteuid() == 0:
        file.write_text("user root;\n" + file.read_text())
    return [found("nginx"), "-p", str(here), "-c", str(file)]


def caddy(setting: Setting) -> list[str]:
    text = setting.certified((SHIPPED / "Caddyfile").read_text())
    text = text.replace("127.0.0.1:8480", f"127.0.0.1:{setting.console}")
    file = setting.folder / "Caddyfile"
    ports = f"http_port {setting.plain}\nhttps_port {setting.secure}"
    file.write_text(f"{{\nadmin off\n{ports}\nstorage file_system {setting.folder}\n}}\n{text}")
    return [found("caddy"), "run", "--adapter", "caddyfile", "--config", str(file)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached:
    """A console, and the proxy before it."""

    door: Door
    setting: Setting

    @contextmanager
    def client(self) -> Iterator[httpx.Client]:
        """Give a browser that finds the name at this machine, and trusts who made the certificate."""
        trust = ssl.create_default_context(cafile=str(self.setting.authority.ca))
        ports = {443: self.setting.secure, 80: self.setting.plain}
        with httpx.Client(transport=_Here(trust, ports), base_url=OUTSIDE) as client:
            yield client


class _Here(httpx.BaseTransport):
    """Goes to this machine for every name, with the name where a browser says it."""

    def __init__(self, trust: ssl.SSLContext, ports: dict[int, int]) -> None:
        self._ports = ports
        self._transport = httpx.HTTPTransport(verify=trust)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        port = request.url.port or (443 if request.url.scheme == "https" else 80)
        sent = httpx.Request(
            request.method,
            request.url.copy_with(host="127.0.0.1", port=self._ports[port]),
            headers=request.headers,  # the name among them
            stream=request.stream,
            extensions={**request.extensions, "sni_hostname": request.url.host},
        )
        return self._transport.handle_request(sent)

    def close(self) -> None:
        self._transport.close()


@pytest.fixture(scope="module", params=[nginx, caddy], ids=["nginx", "caddy"])
def reached(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Reached]:
    command_of: Callable[[Setting], list[str]] = request.param
    folder = tmp_path_factory.mktemp(command_of.__name__)
    authority = Authority(folder / "authority")
    authority.do("new-authority")
    authority.do("broker", NAME)
    with ExitStack() as stack:
        door = stack.enter_context(front_door(folder, origins=frozenset({OUTSIDE})))
        setting = Setting(
            folder=folder,
            authority=authority,
            console=int(door.at.url.rpartition(":")[2]),
            secure=free_port(),
            plain=free_port(),
        )
        command = command_of(setting)
        with (folder / "said").open("wb") as said:
            process = stack.enter_context(
                subprocess.Popen(command, stdout=said, stderr=said)  # noqa: S603 - the proxy
            )
        stack.callback(process.kill)  # Caddy would wait for those who listen
        up = until(lambda: answers("127.0.0.1", setting.secure), PATIENCE_S)
        assert up, (folder / "said").read_text()
        yield Reached(door=door, setting=setting)


def test_somebody_signs_in_and_the_cookie_is_for_https_alone(reached: Reached) -> None:
    with reached.client() as client:
        shown = client.get("/sign-in")
        assert shown.status_code == 200
        assert shown.headers["strict-transport-security"].startswith("max-age=")
        fields = {
            "csrf": form_secret(shown.text),
            "next": "/me",
            "name": account(reached.door.at.database, Role.MANAGER).name,
            "password": PASSWORD,
        }
        # A browser says where a form comes from.
        done = client.post("/sign-in", data=fields, headers={"origin": OUTSIDE})
        assert done.status_code == 303, done.text
        cookies = done.headers.get_list("set-cookie")
        session = next(each for each in cookies if each.startswith("__Host-heatbook="))
        assert "Secure" in session
        assert "HttpOnly" in session
        assert client.get("/me").status_code == 200


def test_what_happens_is_told_while_it_happens(reached: Reached) -> None:
    with reached.client() as client:
        _sign_in(reached, client)
        # Gathered, the first line would not come before the next ones do, 15 s later, or 4 kB.
        with client.stream("GET", "/live", timeout=PATIENCE_S / 2) as answer:
            assert answer.status_code == 200
            assert answer.headers["content-type"].startswith("text/event-stream")
            assert "content-encoding" not in answer.headers
            lines = answer.iter_lines()
            assert next(lines).startswith("retry:")


def test_nobody_says_of_themselves_who_they_are(reached: Reached) -> None:
    with reached.client() as client:
        name = account(reached.door.at.database, Role.MANAGER).name
        claimed = {"x-forwarded-for": "203.0.113.9", "x-forwarded-proto": "http"}
        done = _sign_in(reached, client, **claimed)
        assert done.status_code == 303
        assert "__Host-heatbook=" in done.headers["set-cookie"]
        said = reached.door.rows("SELECT * FROM audit WHERE who = ?", name)
        assert said
        assert "203.0.113.9" not in str(said)


def test_without_https_one_is_sent_there(reached: Reached) -> None:
    with reached.client() as client:
        sent = client.get(f"http://{NAME}/trucks?x=1")
        assert sent.status_code in (301, 308)
        assert re.sub(r":\d+", "", sent.headers["location"][8:]) == f"{NAME}/trucks?x=1"
        assert sent.headers["location"].startswith("https://")


def test_guesses_are_kept_from_it_by_nginx(reached: Reached) -> None:
    if reached.setting.folder.name.startswith("caddy"):
        said = (SHIPPED / "Caddyfile").read_text()
        assert "does not limit how often somebody signs in" in said
        return
    with reached.client() as client:
        statuses = [client.get("/sign-in").status_code for _ in range(40)]
        assert statuses[-1] == 429
        assert client.get("/me").status_code != 429  # and nothing else is


def _sign_in(reached: Reached, client: httpx.Client, **headers: str) -> httpx.Response:
    secret = form_secret(client.get("/sign-in", headers=headers).text)
    name = account(reached.door.at.database, Role.MANAGER).name
    fields = {"csrf": secret, "next": "/me", "name": name, "password": PASSWORD}
    return client.post("/sign-in", data=fields, headers=headers)


def test_each_program_takes_its_file(tmp_path: Path) -> None:
    authority = Authority(tmp_path / "authority")
    authority.do("new-authority")
    authority.do("broker", NAME)
    setting = Setting(
        folder=tmp_path, authority=authority, console=1, secure=free_port(), plain=free_port()
    )
    asked = [
        [*nginx(setting), "-t"],
        [
            found("caddy"),
            "validate",
            "--adapter",
            "caddyfile",
            "--config",
            caddy(setting)[-1],
        ],
        [
            found("caddy"),
            "adapt",
            "--adapter",
            "caddyfile",
            "--config",
            str(SHIPPED.parent / "container" / "Caddyfile"),
        ],
    ]
    for command in asked:
        done = subprocess.run(  # noqa: S603 - the proxies
            command, capture_output=True, text=True, check=False, timeout=60
        )
        assert done.returncode == 0, done.stderr
        assert "[warn]" not in done.stderr, done.stderr
