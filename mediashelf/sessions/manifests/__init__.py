"""The card's manifest: values, schema, versions, sense."""
