"""UDF (ECMA-167 and OSTA UDF): from the anchor to the entries of the tree."""
