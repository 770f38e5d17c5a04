"""Made recordings with known truth; imports no stage that it is used to judge."""
