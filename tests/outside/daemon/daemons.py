"""Daemons as child processes, and how they are asked."""

import json
import subprocess
import time
import urllib.request
from dataclasses import dataclass

from programs import run


@dataclass
class Daemon:
    """A daemon that listens, and how it is asked."""

    url: str
    config: str
    token: str
    token_file: str
    process: subprocess.Popen

    @property
    def headers(self):
        return {"Authorization": f"Bearer {self.token}"}

    def get(self, path):
        request = urllib.request.Request(self.url + path, headers=self.headers)
        with urllib.request.urlopen(request, timeout=30) as answer:
            return answer.read().decode()

    def post(self, path, body):
        headers = self.headers | {"Content-Type": "application/json"}
        request = urllib.request.Request(self.url + path, json.dumps(body).encode(), headers)
        with urllib.request.urlopen(request, timeout=30) as answer:
            return answer.status

    def view(self, bench):
        return json.loads(self.get(f"/api/v1/benches/{bench}"))

    def until(self, bench, wanted, longest_s=120):
        deadline = time.monotonic() + longest_s
        while True:
            view = self.view(bench)
            if wanted(view):
                return view
            assert time.monotonic() < deadline, view
            time.sleep(0.1)

    def remote(self, bench):
        """The options that ask this daemon for a bench."""
        return ("--daemon", self.url, "--bench", bench, "--token-file", self.token_file, "--json")


def begin(program, config, token, token_file):
    """A daemon by its document, once its benches were stood down."""
    process = subprocess.Popen([program, "serve", "--config", config, "--json"], stdout=subprocess.PIPE, text=True)
    url = json.loads(process.stdout.readline())["listens"]
    daemon = Daemon(url, str(config), token, str(token_file), process)
    for bench in json.loads(daemon.get("/api/v1/benches"))["benches"]:
        daemon.until(bench["bench"], lambda view: view["state"] != "standing-down", 30)
    return daemon


def with_token(program, config):
    """A token for a daemon's document, and the file that holds it."""
    rights = ("--right", "operate", "--right", "maintain")
    token = run(program, "token", "add", "checks", *rights, "--config", config, "--json").json["secret"]
    token_file = config.parent / "token"
    token_file.touch(mode=0o600)
    token_file.write_text(token)
    return token, token_file
