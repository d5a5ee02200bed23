"""Takes a record, gives the report a person reads, the page for a customer, and JUnit XML for machines."""

from verifier.show.customer import render_customer
from verifier.show.junit import junit_xml
from verifier.show.report import RENDERER, render_front

__all__ = ["RENDERER", "junit_xml", "render_customer", "render_front"]
