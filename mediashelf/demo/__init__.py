"""The example scenario: an invented kiosk revived by a community workshop."""
