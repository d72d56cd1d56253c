"""pyserial's URL handlers: it imports `protocol_SCHEME` from here when a URL of that scheme is opened."""
