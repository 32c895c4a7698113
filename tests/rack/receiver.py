"""Runs inside the machine: takes what is posted to 127.0.0.1:9000 and writes it to /run/received."""

from __future__ import annotations

from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path


class Receiver(BaseHTTPRequestHandler):
    """Takes every POST."""

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        with Path("/run/received").open("ab") as file:
            file.write(body + b"\n")
        self.send_response(200)
        self.end_headers()


if __name__ == "__main__":
    HTTPServer(("127.0.0.1", 9000), Receiver).serve_forever()
