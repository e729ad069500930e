"""Why a survey file cannot be opened, said once for every reader."""

from pathlib import Path

from terrain.errors import Place, SurveyError


def cannot_open(path: Path, error: OSError, what: str) -> SurveyError:
    """Return the error for a file that is missing or cannot be read; `what` it should have been."""
    if isinstance(error, FileNotFoundError):
        return SurveyError(
            "no such file",
            place=Place(path),
            expected=f"a {what} at {path}",
            mend="correct the file's name in the plan",
        )
    return SurveyError(
        f"cannot be read: {error.strerror or error}",
        place=Place(path),
        expected="a file that this user may read",
        mend="check the file's permissions and its disk",
    )
