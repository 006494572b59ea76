"""What the system says of another process."""

from pathlib import Path


def is_there(pid: int) -> bool:
    """Whether a process runs, and not only its name is left for whoever should ask how it ended."""
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except (FileNotFoundError, ProcessLookupError):  # gone before it is opened, or before it is read
        return False
