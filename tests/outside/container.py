"""The image of kbapi: its description is linted; the long form builds it, runs it and measures it.

The long form needs podman, runc and, for a base of its own, mmdebstrap. BASE in the environment
names another base: an image, or the tar file of a root folder. All of it is in a temporary folder.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.makers import a_submission
from tests.report import Row, measured

ROOT: Final = Path(__file__).parents[2]
CONTAINERFILE: Final = ROOT / "kbapi" / "server" / "Containerfile"
USER: Final = 10_001
MOST_MB: Final = 250
_PIP: Final = ("/etc/pip.conf", "/etc/ssl/certs/ca-certificates.crt")
"""How pip reaches its packages on this machine."""
_LIMITS: Final = ("--ulimit", "nofile=4096:4096", "--ulimit", "nproc=4096:4096")
"""Fewer than the usual ones, which a restricted machine may not grant."""
_ASK: Final = """
import json, sys, urllib.request
method, path, document, token = json.load(sys.stdin)
body = json.dumps(document).encode() if document else None
headers = {"Content-Type": "application/json"} if body else {}
if token: headers["Authorization"] = f"Bearer {token}"
asked = urllib.request.Request(f"http://127.0.0.1:8080{path}", body, headers, method=method)
print(urllib.request.urlopen(asked, timeout=20).read().decode())
"""


def measure(*, short: bool) -> list[Row]:
    """What a linter finds, and how a container of the image behaves."""
    rows = [measured("faults that hadolint finds", len(lint()), "", "== 0")]
    if short:
        return rows
    with tempfile.TemporaryDirectory() as name:
        podman = Podman(Path(name))
        try:
            podman.build(os.environ.get("BASE") or _debian_root(Path(name)))
            return rows + _of_image(podman) + _of_containers(podman)
        finally:
            podman.run("rm", "--all", "--force", "--time", "1")
            podman.run("rmi", "--all", "--force")


def lint() -> list[str]:
    """What hadolint reports, one line each."""
    hadolint = Path(sys.executable).with_name("hadolint")
    done = subprocess.run([hadolint, CONTAINERFILE], capture_output=True, text=True)
    return (done.stdout + done.stderr).splitlines()


def _debian_root(folder: Path) -> str:
    """The tar file of a Debian with Python, made from Debian's packages."""
    file, packages = str(folder / "root.tar"), "python3,python3-venv,ca-certificates"
    command = ["mmdebstrap", "--quiet", "--variant=minbase", f"--include={packages}"]
    subprocess.run([*command, "bookworm", file], check=True)
    return file


@dataclass
class Podman:
    """podman with a storage of its own."""

    folder: Path

    def run(self, *words: str, text: str = "") -> subprocess.CompletedProcess[str]:
        """Output and exit status of a command."""
        command = ["podman", "--root", str(self.folder / "storage")]
        command += ["--runroot", str(self.folder / "run"), "--events-backend", "file"]
        command += ["--cgroup-manager", "cgroupfs"]
        if runc := shutil.which("runc"):  # crun refuses some mixes of control groups
            command += ["--runtime", runc]
        return subprocess.run([*command, *words], input=text, capture_output=True, text=True)

    def must(self, *words: str, text: str = "") -> str:
        """The output of a command that has to succeed."""
        done = self.run(*words, text=text)
        if done.returncode:
            raise AssertionError(f"podman {words[0]}: {done.stdout}{done.stderr}")
        return done.stdout.strip()

    def build(self, base: str) -> None:
        """Build the image from the Containerfile as it is."""
        if Path(base).is_file():
            self.must("import", base, "localhost/base")
            base = "localhost/base"
        mounts = [f"--volume={file}:{file}:ro" for file in _PIP if Path(file).exists()]
        words = [
            "--format",
            "docker",
            "--layers=false",
            "--network",
            "host",
            "--isolation",
            "chroot",
            *mounts,
        ]
        words += ["--build-arg", f"BASE={base}", "--file", str(CONTAINERFILE), "--tag", "kbapi"]
        self.must("build", *words, str(ROOT))

    def serve(self, name: str, *options: str) -> None:
        """Start a container as the examples do, and wait until its health check passes."""
        words = ["--network", "none", "--read-only", "--cap-drop", "all", *_LIMITS]
        words += ["--security-opt", "no-new-privileges", "--volume", "data:/data", *options]
        self.must("run", "--detach", "--name", name, *words, "localhost/kbapi")
        deadline = time.monotonic() + 120
        while not self.is_healthy(name) and time.monotonic() < deadline:
            time.sleep(0.5)

    def is_healthy(self, name: str) -> bool:
        """Whether the health check of the image passes in this container."""
        return self.run("healthcheck", "run", name).returncode == 0

    def ask(self, name: str, method: str, path: str, document: object, token: str = "") -> object:
        """The answer of the server in a container, asked from within; None where it refuses."""
        words = ("exec", "--interactive", name, "python", "-c", _ASK)
        done = self.run(*words, text=json.dumps([method, path, document, token]))
        return json.loads(done.stdout) if done.returncode == 0 else None

    def end(self, name: str) -> int:
        """The exit status of a container after SIGTERM."""
        self.run("stop", "--time", "45", name)
        return int(self.must("inspect", name, "--format", "{{.State.ExitCode}}"))


def _of_image(podman: Podman) -> list[Row]:
    file = podman.folder / "kbapi.tar"
    podman.must("save", "--format", "oci-archive", "--output", str(file), "localhost/kbapi")
    size = round(file.stat().st_size / 1e6)
    file.unlink()
    words = ("--network=none", "--entrypoint=sleep", *_LIMITS, "localhost/kbapi", "600")
    podman.must("run", "--detach", "--name", "idle", *words)
    return [
        measured("image, compressed", size, "MB", f"<= {MOST_MB}"),
        measured("health checks that pass without a server", podman.is_healthy("idle"), "", "== 0"),
    ]


def _of_containers(podman: Podman) -> list[Row]:
    podman.serve("first")
    user = int(podman.must("exec", "first", "id", "-u"))
    writable = podman.run("exec", "first", "touch", "/opt/kbapi/new").returncode == 0
    sent = podman.ask("first", "POST", "/v1/submissions", a_submission(number=1))
    assert isinstance(sent, dict), podman.run("logs", "first").stderr
    secret = podman.folder / "secret"
    secret.write_text(podman.must("exec", "first", "cat", "/data/kbapi/secret.key"))
    os.chown(secret, USER, USER)
    secret.chmod(0o400)
    path, statuses = f"/v1/submissions/{sent['id']}", [podman.end("first")]
    mounted = ("--volume", f"{secret}:/run/secrets/kbapi:ro")
    kept = []
    for name, options in (
        ("second", ()),
        ("mounted", (*mounted, "--env", "KBAPI_SECRET_FILE=/run/secrets/kbapi")),
    ):
        podman.serve(name, *options)
        kept.append(podman.ask(name, "GET", path, None, sent["receipt"]) is not None)
        statuses.append(podman.end(name))
    logs = "".join(podman.run("logs", name).stderr for name in ("first", "second", "mounted"))
    return [
        measured("user", user, "", f"== {USER}"),
        measured("files that can be written outside the volume", writable, "", "== 0"),
        measured("later starts that have the result", sum(kept), "", "== 2"),
        measured("containers that SIGTERM ends with 0", statuses.count(0), "", "== 3"),
        measured("logs with the secret", secret.read_text().strip() in logs, "", "== 0"),
    ]
