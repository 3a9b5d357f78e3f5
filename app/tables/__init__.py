"""The whole data model, in one place: it can be read here and nowhere else.

The SQLModel classes declare the tables. Queries are written with SQLAlchemy Core on the table
objects below: pages read columns, not entities, which is several times cheaper.
"""

from sqlalchemy import MetaData, Table
from sqlmodel import SQLModel

# Both must come before the tables. Rows are never checked as models: no schema is put together.
SQLModel.model_config["defer_build"] = True
SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}

from app.tables import aftercare as _aftercare  # noqa: E402, F401
from app.tables import belongings as _belongings  # noqa: E402, F401
from app.tables import builds as _builds  # noqa: E402, F401
from app.tables import colours as _colours  # noqa: E402, F401
from app.tables import findings as _findings  # noqa: E402, F401
from app.tables import history as _history  # noqa: E402, F401
from app.tables import house as _house  # noqa: E402, F401
from app.tables import letters as _letters  # noqa: E402, F401
from app.tables import orders as _orders  # noqa: E402, F401
from app.tables import owner as _owner  # noqa: E402, F401
from app.tables import people as _people  # noqa: E402, F401
from app.tables import photos as _photos  # noqa: E402, F401
from app.tables import pieces as _pieces  # noqa: E402, F401

metadata: MetaData = SQLModel.metadata


def _table(name: str) -> Table:
    return metadata.tables[name]


accounts = _table("accounts")
sessions = _table("sessions")
sign_in_links = _table("sign_in_links")
sign_in_tries = _table("sign_in_tries")
customers = _table("customers")
customer_mails = _table("customer_mails")
animals = _table("animals")
marks = _table("marks")
colour_zones = _table("colour_zones")
changes = _table("changes")
orders = _table("orders")
order_animals = _table("order_animals")
questions = _table("questions")
approval_pictures = _table("approval_pictures")
contacts = _table("contacts")
tellings = _table("tellings")
photo_deliveries = _table("photo_deliveries")
views_asked = _table("views_asked")
pictures = _table("pictures")
pictures_not_read = _table("pictures_not_read")
picture_models = _table("picture_models")
photo_checks = _table("photo_checks")
parcels = _table("parcels")
packed_pieces = _table("packed_pieces")
parcel_pictures = _table("parcel_pictures")
parts = _table("parts")
belongings = _table("belongings")
aftercare_cases = _table("aftercare_cases")
aftercare_copies = _table("aftercare_copies")
aftercare_pictures = _table("aftercare_pictures")
customer_words = _table("customer_words")
status_links = _table("status_links")
status_pages = _table("status_pages")
models = _table("models")
copies = _table("copies")
copy_companions = _table("copy_companions")
transitions = _table("transitions")
mark_ticks = _table("mark_ticks")
findings = _table("findings")
check_ticks = _table("check_ticks")
bench_pictures = _table("bench_pictures")
news = _table("news")
letters = _table("letters")
house = _table("house")
settings = _table("settings")
carriers = _table("carriers")
closures = _table("closures")
step_texts = _table("step_texts")
forecasts = _table("forecasts")
imports = _table("imports")
past_pieces = _table("past_pieces")
machines = _table("machines")
batches = _table("batches")
builds = _table("builds")
released_pictures = _table("released_pictures")
reference_views = _table("reference_views")
chances = _table("chances")
waiting_list = _table("waiting_list")
absences = _table("absences")
what_ifs = _table("what_ifs")
let_go = _table("let_go")
drills = _table("drills")
