"""Headers that neither Django nor the content policy sends."""

NOBODY = (
    "accelerometer", "autoplay", "display-capture", "geolocation", "gyroscope", "hid",
    "magnetometer", "microphone", "midi", "payment", "publickey-credentials-get", "serial", "usb",
    "xr-spatial-tracking",
)  # fmt: skip
PERMISSIONS = ", ".join([*(f"{one}=()" for one in NOBODY), "camera=(self)"])
"""The camera reads the codes of parts; the person is asked. A photo's own place needs no permission."""


class MoreHeaders:
    """Middleware. Pages of people who are logged in stay out of caches unless the page says otherwise."""

    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        answer = self.get_response(request)
        answer.setdefault("Permissions-Policy", PERMISSIONS)
        answer.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        user = getattr(request, "user", None)
        if user is not None and user.is_authenticated and "Cache-Control" not in answer:
            answer["Cache-Control"] = "private, no-store"
        return answer
