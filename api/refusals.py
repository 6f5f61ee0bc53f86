"""The refusal to raise where DRF has none that fits. Imports no view, so that parsers may use it."""

from rest_framework.exceptions import APIException


class Refusal(APIException):
    """A refusal with a status of its own and a remedy."""

    def __init__(self, status: int, title: str, remedy: str = "") -> None:
        super().__init__(title)
        self.status_code = status
        self.remedy = remedy
