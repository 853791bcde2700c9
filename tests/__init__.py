"""Tests of plateledger."""
