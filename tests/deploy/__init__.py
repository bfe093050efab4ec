"""Tests of deploy/ and of the processes that it starts."""
