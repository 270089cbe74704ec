"""Commands for whoever writes a drop policy: what is installed, the check, and a package to start from."""

from __future__ import annotations
