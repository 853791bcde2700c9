"""The JSON routes under ``/v1``."""

VERSION_PREFIX = "/v1"
