// Runs SQL on DuckDB and prints the result as JSON: {columns: [{name, type}], rows: [[...]]}.
// Statements stand on standard input, one a line; only the last one's result is printed.
// DuckDB is the independent reader of what brimline exports.
import { DuckDBInstance } from "@duckdb/node-api";

const statements = (await new Response(process.stdin).text()).split("\n").filter((s) => s.trim() !== "");
const instance = await DuckDBInstance.create(":memory:");
const connection = await instance.connect();
let result;
for (const s of statements) {
  result = await connection.runAndReadAll(s);
}
const names = result.columnNames();
const types = result.columnTypes().map(String);
console.log(JSON.stringify({ columns: names.map((name, i) => ({ name, type: types[i] })), rows: result.getRowsJson() }));
