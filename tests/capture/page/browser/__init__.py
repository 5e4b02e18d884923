"""Tests in a real browser; a package, so that its browser and its station end with it."""
