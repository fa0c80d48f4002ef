"""Packages that only some features need: whether they are here, and the sentence that says how to get them."""

from __future__ import annotations

from importlib.util import find_spec

from audit.errors import AuditError

__all__ = ["EXTRAS", "has", "how_to_get", "need"]

#: Extra of ``pyproject.toml``, and the modules that it brings.
EXTRAS: dict[str, tuple[str, ...]] = {
    "auth": ("authlib",),
    "cluster": ("distributed",),
    "collect": ("av", "httpx", "keyring", "lxml", "onvif", "zeep"),
    "drawings": ("ezdxf", "pypdfium2"),
    "faces": ("skimage",),
    "ifc": ("ifcopenshell",),
    "postgres": ("psycopg",),
    "reading": ("rapidocr",),
    "s3": ("s3fs",),
    "token": ("pkcs11",),
}


def has(extra: str) -> bool:
    """Whether every package of an extra is installed; none of them is imported."""
    return all(find_spec(module) is not None for module in EXTRAS[extra])


def how_to_get(extra: str) -> str:
    """The command that installs an extra."""
    return f"pip install 'photo-audit[{extra}]'"


def need(extra: str, feature: str) -> None:
    """Go on only where an extra is installed.

    Parameters
    ----------
    feature : str
        What can't be done without it, as the start of a sentence.

    Raises
    ------
    AuditError
        Where it isn't.
    """
    if not has(extra):
        raise AuditError(f"{feature} needs packages that are not installed; install them with: {how_to_get(extra)}.")
