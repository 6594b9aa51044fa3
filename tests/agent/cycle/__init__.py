"""Tests of what a running agent does again and again."""
