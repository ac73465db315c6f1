// Labels mixed up in made-up histories: found where there is a history, and not cried where all is well.
#include <random>

#include <catch2/catch.hpp>

#include <calib/swapped_labels.h>

namespace {

using namespace conebook::calib;

// Ten elements on four days, two quantities; elements differ by 1, repeat to 0.1, days move everything by
// 0.5.
std::vector<LabelledDay> History(unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  double own[10][2], day[4];
  for (auto& element : own)
    for (double& value : element) value = normal(random);
  for (double& value : day) value = 0.5 * normal(random);
  std::vector<LabelledDay> days;
  for (int e = 0; e < 10; ++e) {
    for (int d = 0; d < 4; ++d)
      days.push_back(
          {e, d, {own[e][0] + day[d] + 0.1 * normal(random), own[e][1] + 0.1 * normal(random)}, {}});
  }
  return days;
}

LabelledDay& At(std::vector<LabelledDay>& days, int element, int day) {
  return days[static_cast<std::size_t>(4 * element + day)];
}

}  // namespace

TEST_CASE("two labels exchanged on a day are both named, each with the other", "[calib][swapped]") {
  int found = 0;
  for (unsigned seed = 1; seed <= 20; ++seed) {
    auto days = History(seed);
    std::swap(At(days, 2, 3).values, At(days, 7, 3).values);
    const auto swapped = FindSwapped(days);
    const bool both = swapped.size() == 2 && swapped[0].element == 2 && swapped[0].fits == 7 &&
                      swapped[0].day == 3 && swapped[0].exchanged && swapped[1].element == 7 &&
                      swapped[1].fits == 2;
    found += both ? 1 : 0;
  }
  CHECK(found >= 18);  // now and then two elements are much alike
}

TEST_CASE("where all labels are right hardly any study is cried over", "[calib][swapped]") {
  int cried = 0;
  for (unsigned seed = 101; seed <= 200; ++seed) cried += FindSwapped(History(seed)).empty() ? 0 : 1;
  CHECK(cried <= 3);
}

TEST_CASE("a reading under the wrong label is named; an element that merely changed is not",
          "[calib][swapped]") {
  int found = 0;
  for (unsigned seed = 1; seed <= 20; ++seed) {
    auto days = History(seed);
    At(days, 4, 1).values = At(days, 9, 1).values;
    days.erase(days.begin() + 4 * 9 + 1);  // element 9 was not read that day under its own name
    const auto swapped = FindSwapped(days);
    if (swapped.size() == 1 && swapped[0].element == 4 && swapped[0].day == 1 && swapped[0].fits == 9 &&
        !swapped[0].exchanged)
      ++found;
  }
  CHECK(found >= 16);  // now and then two elements are much alike, or a third one is
  auto days = History(5);
  At(days, 4, 1).values = {20.0, -20.0};  // like none of them
  CHECK(FindSwapped(days).empty());
}

TEST_CASE("without a history nothing is said", "[calib][swapped]") {
  std::vector<LabelledDay> days;
  for (int e = 0; e < 8; ++e) days.push_back({e, 0, {1.0 * e}, {}});
  CHECK(FindSwapped(days).empty());
  CHECK(FindSwapped({}).empty());
}
