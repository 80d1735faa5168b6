// The address of a bench's page; addresses.py says the same for the templates.

/**
 * The path of the page of the bench called `name`: "/" for main.
 * @param {string} name
 */
export const benchPage = (name) => (name === "main" ? "/" : `/bench/${encodeURIComponent(name)}`);
