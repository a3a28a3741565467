"""The numbers of the weekly health report, gathered before a page is written."""
