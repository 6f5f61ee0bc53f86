"""A local HTTP server that takes webhooks: remembers each call, answers as told, may be slow or endless."""

import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class Receiver:
    """Listens on 127.0.0.1; ``answer`` is a status, ``delay_s`` a wait, ``mode`` how it answers."""

    def __init__(self):
        self.calls = []
        self.answer = 200
        self.delay_s = 0.0
        self.mode = "plain"
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["content-length"]))
                receiver.calls.append((self.path, {k.lower(): v for k, v in self.headers.items()}, body))
                time.sleep(receiver.delay_s)
                try:
                    receiver.reply(self)
                except OSError:
                    self.close_connection = True

            do_GET = do_POST

            def log_message(self, *args):
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_port}/hook?x=1"
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()

    def reply(self, handler):
        """Answer one call."""
        if self.mode == "dripping":
            handler.wfile.write(b"HTTP/1.1 200 OK\r\n")
            for number in range(200):
                handler.wfile.write(f"x-{number}: y\r\n".encode())
                handler.wfile.flush()
                time.sleep(0.05)
            return
        handler.send_response(self.answer)
        if 300 <= self.answer < 400:
            handler.send_header("location", self.url.replace("/hook", "/elsewhere"))
        if self.mode == "endless":
            handler.end_headers()
            for _ in range(400):
                handler.wfile.write(b"z" * 65536)
            return
        handler.send_header("content-length", "5")
        handler.end_headers()
        handler.wfile.write(b"taken")

    def close(self):
        """Stop listening."""
        self._server.shutdown()
        self._server.server_close()
