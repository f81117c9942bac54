"""Tests of the service unit, the port rules and the installation."""
