"""Options of the whole suite."""


def pytest_addoption(parser):
    parser.addoption(
        "--update-golden",
        action="store_true",
        help="write the kept texts under tests/golden anew, to be read as a diff afterwards",
    )
