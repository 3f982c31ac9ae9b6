"""Recorded words for spoken values, and requests for them."""
