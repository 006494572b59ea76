"""The link: what the operator's monitor says over a broker to whoever follows it, and the one thing they may say back."""
