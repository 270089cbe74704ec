"""A small HTTP page beside the service: ``/metrics`` for Prometheus, ``/health`` for whoever supervises it.

It answers in threads of the process that supervises, which serves no rig, so that it cannot disturb a set. It tells
and takes nothing: no request changes anything. Never here: what the figures mean.
"""

from __future__ import annotations

import contextlib
import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Final

import structlog
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, generate_latest

from ebbset.console.metrics.exposition import SiteCollector
from ebbset.controller.site.health import health_of
from ebbset.controller.site.site_figures import SiteFigures
from ebbset.controller.site.site_settings import MetricsSettings
from ebbset.models.contract.problems import BadDocumentError, Problem

PATIENCE_S: Final = 10.0
"""How long somebody may take to send a request."""
_log = structlog.get_logger(__name__)


@contextlib.contextmanager
def metrics_page(settings: MetricsSettings, figures: Callable[[], SiteFigures]) -> Iterator[int]:
    """Serve the page for the time of a ``with``; gives the port.

    Args:
        settings: host and port; port 0 takes a free one.
        figures: the figures now; called from the threads that answer.

    Raises:
        BadDocumentError: the port cannot be had.
    """
    registry = CollectorRegistry()
    registry.register(SiteCollector(figures))

    class MetricsPage(_Page):
        def answer(self) -> tuple[int, str, bytes]:
            if self.path == "/metrics":
                return 200, CONTENT_TYPE_LATEST, generate_latest(registry)
            if self.path == "/health":
                health = health_of(figures())
                return 200 if health["healthy"] else 503, "application/json", json.dumps(health).encode()
            return 404, "text/plain", b"allowed: /metrics and /health\n"

    try:
        server = ThreadingHTTPServer((settings.host, settings.port), MetricsPage)
    except OSError as error:
        where = f"{settings.host}:{settings.port}"
        allowed = f"an address of this machine and a free port ({error})"
        raise BadDocumentError("settings", [Problem("metrics", where, allowed, "value")]) from None
    server.daemon_threads = True
    answering = threading.Thread(target=server.serve_forever, name="metrics page", daemon=True)
    answering.start()
    _log.info("metrics_page", host=settings.host, port=server.server_port)
    try:
        yield int(server.server_port)
    finally:
        server.shutdown()
        server.server_close()
        answering.join()


class _Page(BaseHTTPRequestHandler):
    timeout = PATIENCE_S
    server_version = "ebbset"
    sys_version = ""

    def answer(self) -> tuple[int, str, bytes]:
        """Status, type and body."""
        raise NotImplementedError

    def do_GET(self) -> None:
        """Answer one request."""
        status, kind, body = self.answer()
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *_values: object) -> None:
        """Log nothing: somebody asks every few seconds.

        Args:
            format: of the line that is not written.
        """
