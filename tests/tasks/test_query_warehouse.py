"""A user's SELECT: all its rows, none lost for its name or number, and the warehouse free before they are read."""

from tasks.locate_warehouse import find_location
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.query_warehouse import query_warehouse


def test_columns_of_one_name_are_told_apart(file_loop: Loop) -> None:
    answer = query_warehouse(file_loop, "select 1 as n, 2 as n, 3 as n_1, 4 as n")
    assert len(set(answer.columns)) == 4
    assert list(answer.read_rows()) == [[1, 2, 3, 4]]


def test_many_rows_come_in_order_and_can_be_read_again(file_loop: Loop) -> None:
    counting = "with recursive t as (select 0 as n union all select n + 1 from t where n < 2500)"
    text = f"{counting} select n from t order by n"
    answer = query_warehouse(file_loop, text)
    assert answer.row_count == 2501
    for _ in range(2):
        assert [row[0] for row in answer.read_rows()] == list(range(2501))


def test_the_warehouse_is_free_before_a_row_is_read(file_loop: Loop) -> None:
    answer = query_warehouse(file_loop, "select attribute from attribute_definition order by 1")
    with hold_file_lock(find_location(file_loop).lock_path, shared=False, wait_seconds=0):
        assert list(answer.read_rows()) == [["distance"], ["ground"], ["obstacle"]]


def test_text_of_any_script_and_nested_values_come_back_whole(file_loop: Loop) -> None:
    answer = query_warehouse(
        file_loop, "select 'Ärger\nüber 果樹' as said, [1, null] as listed, {'a': 1.5::double} as part"
    )
    assert list(answer.read_rows()) == [["Ärger\nüber 果樹", [1, None], {"a": 1.5}]]
