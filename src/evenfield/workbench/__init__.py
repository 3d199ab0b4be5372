"""The browser page. Filled by a later capability."""
