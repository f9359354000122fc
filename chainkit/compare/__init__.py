"""Loudness-matched renders of chains or orders, measured against one another."""

from __future__ import annotations
