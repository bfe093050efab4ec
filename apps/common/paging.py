"""Pages of a list, in a total order, with the number of rows in all."""

from rest_framework.pagination import PageNumberPagination


class Pages(PageNumberPagination):
    """`?page=2&page_size=500`: {count, next, previous, results}."""

    page_size = 200
    page_size_query_param = "page_size"
    max_page_size = 5000
