"""Log lines name addresses; the secret in an address that opens something is not among what they may say."""

import logging
import re

SECRET = re.compile(r"(/invitation/|/password/reset/key/)[^/\s?\"']+")


class HideSecrets(logging.Filter):
    def filter(self, record: logging.LogRecord) -> bool:
        text = record.getMessage()
        hidden = SECRET.sub(r"\1...", text)
        if hidden != text:
            record.msg, record.args = hidden, ()
        return True
