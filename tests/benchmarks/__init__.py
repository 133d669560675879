"""Speed measured side by side in one run; printed, never judged by a test."""
