"""Tests of the help and of the page about the program."""
