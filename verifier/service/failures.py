"""How an unexpected failure is named where patient data may not go."""

import traceback


def named(error: BaseException) -> str:
    """Return the type and place of an error, never its text: that may quote a message."""
    frames = traceback.extract_tb(error.__traceback__)
    place = f" at {frames[-1].filename}:{frames[-1].lineno}" if frames else ""
    return f"{type(error).__name__}{place}"
