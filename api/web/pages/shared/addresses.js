// The address of a bench's page; addresses.py says the same for the templates.

/** The bench where nobody names another; the program has it from capture/spec. */
export const MAIN_BENCH = "main";

/**
 * The path of the page of the bench called `name`: "/" for the main one.
 * @param {string} name
 */
export const benchPage = (name) => (name === MAIN_BENCH ? "/" : `/bench/${encodeURIComponent(name)}`);
