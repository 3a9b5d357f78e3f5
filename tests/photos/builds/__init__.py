"""Tests of builds, assessment, the released picture and the record of the check."""
