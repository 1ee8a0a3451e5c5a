"""Tests of the estimators."""
