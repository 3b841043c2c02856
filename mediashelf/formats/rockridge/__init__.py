"""Rock Ridge and the system use fields that it is recorded in: SUSP and RRIP."""
