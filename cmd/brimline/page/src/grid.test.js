import assert from "node:assert/strict";
import test from "node:test";
import { Grid, changeText, figure, sparse } from "./grid.js";

test("points of 100 ms are merged into cells of 500 ms and keep extremes", () => {
  const grid = new Grid(1, 4);
  grid.add({ from: 10, step_ms: 100, series: [[1, [2, -9, 9], null, 3, 4, 6]] });
  const { mean, lo, hi } = grid.columns(0);
  assert.deepEqual(mean, [null, null, 2.5, 6]); // cells 0 to 3; (1+2+3+4)/4
  assert.deepEqual(lo, [null, null, -9, 6]);
  assert.deepEqual(hi, [null, null, 9, 6]);
});

test("a gap is a gap, and old cells go", () => {
  const grid = new Grid(2, 3);
  grid.add({ from: 0, step_ms: 500, series: [[1, 2, 3], [4, null, 6]] });
  assert.deepEqual(grid.columns(1).mean, [4, null, 6]);
  grid.add({ from: 4, step_ms: 500, series: [[5], [null]] }); // cell 3 never came
  assert.deepEqual(grid.columns(0).mean, [3, null, 5]);
  assert.deepEqual(grid.columns(1, 10).mean, [60, null, null]);
});

test("what is sent again replaces, it does not count twice", () => {
  const grid = new Grid(1, 2);
  grid.add({ from: 5, step_ms: 100, series: [[10, 20]] });
  grid.add({ from: 1, step_ms: 500, series: [[[15, 10, 20]]] });
  assert.equal(grid.columns(0).mean[1], 15);
});

test("times end now", () => {
  assert.deepEqual(new Grid(1, 3, 60000).times(), [-2, -1, 0]);
});

test("the table takes the nearest cell and says where there is none", () => {
  assert.deepEqual(sparse([1, 2, null, null, 5], 60000, [0, 1, 2, 4]), [5, null, 2, 1]);
});

test("nothing is shown as minus nought, and no change has no direction", () => {
  assert.equal(figure(-0.04, 1), "0.0");
  assert.equal(figure(-0, 0), "0");
  assert.equal(figure(-0.06, 1), "-0.1");
  assert.equal(figure(10.26, 1), "10.3");
  assert.equal(changeText(-0.04, 1), "no change");
  assert.equal(changeText(0.2, 0), "no change");
  assert.equal(changeText(-1.26, 1), "down 1.3");
  assert.equal(changeText(20, 1), "up 20.0");
});
