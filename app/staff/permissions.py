"""What each role may do: one table, a row for every named route of the staff site.

A route in no row is refused to everybody, and a test fails. To add a page, add its row here.
"""

from app.shared.people import BENCH_AND_OWNER, DESK_AND_OWNER, EVERYBODY, OWNER_ONLY, Role

Row = frozenset[Role] | str

# Open to anybody, signed in or not: the doors themselves.
PUBLIC = "public"
# Only for somebody who is not signed in; who is goes on to the benches.
NOBODY_SIGNED_IN = "nobody signed in"

TABLE: dict[str, Row] = {
    # Sign-in.
    "sign_in": NOBODY_SIGNED_IN,
    "sign_in_try": PUBLIC,
    "sign_out": PUBLIC,
    "link": PUBLIC,
    "link_use": PUBLIC,
    "own_password": EVERYBODY,
    "own_password_change": EVERYBODY,
    # Accounts.
    "accounts": OWNER_ONLY,
    "account_invite": OWNER_ONLY,
    "invitation_take_back": OWNER_ONLY,
    "account_role": OWNER_ONLY,
    "account_off": OWNER_ONLY,
    "account_on": OWNER_ONLY,
    # Settings.
    "settings": OWNER_ONLY,
    "settings_save": OWNER_ONLY,
    "step_texts": OWNER_ONLY,
    "step_texts_save": OWNER_ONLY,
    "own_words": OWNER_ONLY,
    "own_words_save": OWNER_ONLY,
    "closures": DESK_AND_OWNER,
    "closure_add": OWNER_ONLY,
    "closure_take_back": OWNER_ONLY,
    # Benches.
    "benches": EVERYBODY,
    "benches_bands": EVERYBODY,
    "benches_move": EVERYBODY,
    "undo": EVERYBODY,
    # Orders.
    "new_order": DESK_AND_OWNER,
    "save_order": DESK_AND_OWNER,
    "suggest_customers": DESK_AND_OWNER,
    "chance": DESK_AND_OWNER,
    "orders": EVERYBODY,
    "order": EVERYBODY,
    "ask": EVERYBODY,
    "answer": DESK_AND_OWNER,
    "override_question": OWNER_ONLY,
    "add_part": DESK_AND_OWNER,
    "part": EVERYBODY,
    "part_due": DESK_AND_OWNER,
    "part_without": OWNER_ONLY,
    "contact": DESK_AND_OWNER,
    "hold_order": EVERYBODY,
    "lift_order": EVERYBODY,
    "cancel_order": DESK_AND_OWNER,
    "ship_part": DESK_AND_OWNER,
    "copy_deadline": DESK_AND_OWNER,
    "status_link": DESK_AND_OWNER,
    "photos_told": EVERYBODY,
    "add_copy": DESK_AND_OWNER,
    "set_scale": DESK_AND_OWNER,
    "edit_order": DESK_AND_OWNER,
    "save_edit": DESK_AND_OWNER,
    "waiting": EVERYBODY,
    # Customers and animals.
    "customers": DESK_AND_OWNER,
    "customer": DESK_AND_OWNER,
    "edit_customer": DESK_AND_OWNER,
    "save_customer": DESK_AND_OWNER,
    "animal": EVERYBODY,
    "edit_animal": EVERYBODY,
    "save_animal": EVERYBODY,
    # The desk.
    "find": EVERYBODY,
    "answers": EVERYBODY,
    "note_answer": DESK_AND_OWNER,
    "join_customers": DESK_AND_OWNER,
    "join_customers_do": DESK_AND_OWNER,
    # One piece.
    "piece": EVERYBODY,
    "move_piece": EVERYBODY,
    "tickets": EVERYBODY,
    "correction": EVERYBODY,
    "correct": EVERYBODY,
    # Colours.
    "colours": EVERYBODY,
    "animal_colours": EVERYBODY,
    "save_colours": EVERYBODY,
    "colours_out": EVERYBODY,
    "colours_chip": EVERYBODY,
    "colours_chip_photo": EVERYBODY,
    # Parcels.
    "parcels": EVERYBODY,
    "new_parcel": EVERYBODY,
    "hand_over": EVERYBODY,
    "parcel": EVERYBODY,
    "parcel_received": EVERYBODY,
    "parcel_number": EVERYBODY,
    "confirm_address": DESK_AND_OWNER,
    "confirm_spelling": DESK_AND_OWNER,
    # Letters.
    "letters": DESK_AND_OWNER,
    "letter": DESK_AND_OWNER,
    "letter_html": DESK_AND_OWNER,
    "letter_hold": DESK_AND_OWNER,
    "letter_again": DESK_AND_OWNER,
    "letter_drop": DESK_AND_OWNER,
    "news_hold": DESK_AND_OWNER,
    "news_go": DESK_AND_OWNER,
    "news_now": DESK_AND_OWNER,
    "news_stop": DESK_AND_OWNER,
    "letters_on": OWNER_ONLY,
    "test_letter": OWNER_ONLY,
    "test_letter_send": OWNER_ONLY,
    "order_letters": DESK_AND_OWNER,
    "order_letter_html": DESK_AND_OWNER,
    "letter_later": DESK_AND_OWNER,
    "write_customer": DESK_AND_OWNER,
    "write_customer_do": DESK_AND_OWNER,
    "longer": DESK_AND_OWNER,
    "longer_tell": DESK_AND_OWNER,
    "longer_answer": DESK_AND_OWNER,
    # Builds.
    "builds": EVERYBODY,
    "build_start": EVERYBODY,
    "build_end": EVERYBODY,
    "build_put_on": EVERYBODY,
    "machine_add": OWNER_ONLY,
    "machines_named": OWNER_ONLY,
    "machine_change": OWNER_ONLY,
    "machine_switch": OWNER_ONLY,
    "photo_record": EVERYBODY,
    # Assessment.
    "assess": EVERYBODY,
    "assess_do": EVERYBODY,
    "assess_marks": EVERYBODY,
    "assess_views": EVERYBODY,
    # The picture on a customer's page.
    "release": EVERYBODY,
    "release_upload": EVERYBODY,
    "release_stored": EVERYBODY,
    "release_back": EVERYBODY,
    "released_picture": EVERYBODY,
    # The photo desk.
    "photos": EVERYBODY,
    "photos_came": EVERYBODY,
    "photos_ask": EVERYBODY,
    "photo_delivery": EVERYBODY,
    "photos_bring": EVERYBODY,
    "photos_look": EVERYBODY,
    "photo_sorting": EVERYBODY,
    "photos_give": EVERYBODY,
    "photos_count": EVERYBODY,
    "picture": EVERYBODY,
    "photo_check": EVERYBODY,
    "photo_check_now": EVERYBODY,
    "photo_check_again": EVERYBODY,
    "photo_sheet": EVERYBODY,
    "photo_set": BENCH_AND_OWNER,
    "photo_thresholds": OWNER_ONLY,
    "photo_thresholds_save": OWNER_ONLY,
    # The owner's figures.
    "lead_times": OWNER_ONLY,
}

REFUSAL = "Your account can’t do this. Ask the owner."
